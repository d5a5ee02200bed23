"""A Gangway that behaves: a composed tree with a cell that charges, a panel that is wiped, sides it is laid on.

In virtual time, behind the real probes. What the technician is told to do, `act` does; a test spoils one thing.
"""

from __future__ import annotations

import posixpath
import shutil
import sys
from collections.abc import AsyncGenerator, Mapping
from contextlib import aclosing
from pathlib import Path
from typing import Any

import anyio

sys.path.insert(0, str(Path(__file__).parents[1] / "gather/probes"))
from cell import BAT, Cell, Charging
from panel import wipe

from verifier.gather.catalogue import ProbeCatalogue
from verifier.gather.hosts import open_host
from verifier.gather.instruments.bench import InstrumentHost, StationInstruments
from verifier.gather.workers import run_probe
from verifier.readings import ProbeDeclaration
from verifier.services import Clocks, CommandResult, InputEvent
from verifier.steps import Step

WIDTH, HEIGHT = 4096, 2560
KEYS = {"volume up": 115, "volume down": 114}
SIDES = {
    "screen up": (0, 0, 1000),
    "screen down": (0, 0, -1000),
    "bottom edge": (0, 1000, 0),
    "top edge": (0, -1000, 0),
    "left edge": (1000, 0, 0),
    "right edge": (-1000, 0, 0),
}
DOCK = {
    "sys/class/power_supply/dock-in/online": "1",
    "sys/class/net/eth0/carrier": "1",
    "sys/bus/usb/devices/1-2/idVendor": "fffe",
}


class Tablet(Charging):
    """`Charging` with all the rest of the tablet; serves as its own files, commands and input devices."""

    services = frozenset({"files", "commands", "input"})

    def __init__(self, tree: Path) -> None:
        super().__init__(Cell(soc=0.86))
        self.tree = tree
        self._rest = open_host(f"recorded:{tree}", self.clocks).files
        self.plugged = False
        self.dead: set[tuple[int, int]] = set()
        self.exchanged = False
        self.stuck_axis = False
        self.lost_in_dock = ""
        self.heard = 0
        """Beeps of the speaker since somebody was asked for them."""
        self.mute = False
        self._recording: list[InputEvent] = []

    def write(self, path: str, text: str) -> None:
        (self.tree / path).write_text(text + "\n")

    def lose(self, path: str) -> None:
        shutil.rmtree(self.tree / path)

    # ---- what a technician does when told ----------------------------------------------------------

    def act(self, said: str) -> None:
        self.said.append(said)
        self._recording = []
        if "the charger on" in said:
            self.plugged = True
        elif "Take the charger off" in said or said.startswith("STOP"):
            self.plugged = False
        elif "wipe one finger" in said:
            self._recording = wipe(WIDTH, HEIGHT, 24, 16, self.dead)
        elif said.startswith("Put the unit"):
            x, y, z = next(down for side, down in SIDES.items() if side in said)
            for axis, value in zip("xyz", (x, y, 1000 if self.stuck_axis else z), strict=True):
                self.write(f"sys/bus/iio/devices/iio:device0/in_accel_{axis}_raw", str(value))
        elif "and then press" in said:
            code = next(code for name, code in KEYS.items() if name in said)
            code = sum(KEYS.values()) - code if self.exchanged else code
            changes = ((0.5, 1), (0.6, 0))
            self._recording = [InputEvent(kind=1, code=code, value=value, at=at) for at, value in changes]
        elif "out of its dock" in said:
            for path in DOCK:
                (self.tree / path).write_text("0\n") if "usb" not in path else (self.tree / path).unlink()
        elif "back into its dock" in said:
            for path, text in DOCK.items():
                if path != self.lost_in_dock:
                    self.write(path, text)

    # ---- what probes read ---------------------------------------------------------------------------

    async def read(self, path: str, limit: int = 65_536) -> bytes:
        # The rest of the gauge stands in the tree, what changes while it charges is the cell's.
        if posixpath.dirname(path) == BAT:
            if path.endswith("/capacity"):
                return f"{round(100 * min(1.0, self.cell.soc + 0.02))}\n".encode()
            try:
                return await super().read(path, limit)
            except FileNotFoundError:
                pass
        return await self._rest.read(path, limit)

    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        if argv[0] != "aplay":
            return await super().run(*argv, timeout=timeout)
        self.heard += not self.mute
        return CommandResult(argv=argv, exit=0, stdout="")

    async def names(self, path: str) -> list[str]:
        return await self._rest.names(path)

    async def real_path(self, path: str) -> str:
        return await self._rest.real_path(path)

    async def exists(self, path: str) -> bool:
        return await self._rest.exists(path)

    @property
    def input(self) -> Tablet:
        return self

    async def axis(self, device: str, code: int) -> None:
        return None

    async def record(self, device: str, seconds: float) -> tuple[InputEvent, ...]:
        await self.clocks.sleep(seconds)
        return tuple(self._recording)


class Scripted:
    """Takes the probes of the tablet in this process; serves as `Taker`."""

    def __init__(self, catalogue: ProbeCatalogue, tablet: Tablet) -> None:
        self._catalogue, self._tablet = catalogue, tablet

    async def take(
        self,
        probe: str,
        settings: Mapping[str, Any],
        host_address: str,
        *,
        declaration: ProbeDeclaration,
        **_: Any,
    ) -> AsyncGenerator[Step]:
        taken = run_probe(self._catalogue.probe(probe), self._tablet, settings)  # type: ignore[arg-type]
        async with aclosing(taken) as steps:
            async for step in steps:
                yield step


class Fixture(StationInstruments):
    """A pressure gauge that is described in a station's folder and read in virtual time, with a leak behind it."""

    def __init__(self, folder: Path, clocks: Clocks, leak: float) -> None:
        super().__init__(folder, clocks)
        self._now, self._leak, self._filled = clocks, leak, 0.0

    async def identify(self, name: str) -> str:
        self._filled = self._now.loop()
        return name

    async def measure(self, name: str, quantity: str, in_range: float | None = None) -> float:
        return round(2000 - self._leak * (self._now.loop() - self._filled), 1)

    async def wait(self, seconds: float) -> None:
        await anyio.sleep(seconds)


GAUGE = """
kind = "pressure-gauge"
title = "Gauge of the leak fixture"
port = "/dev/ttyUSB9"
serial = "PG-77"
calibrated = 2026-01-01
due = 2999-01-01
certificate = "BC-3301"
[quantities.pressure]
ranges = [{ full_scale = 5000, of_reading = 0.5, of_range = 0.1, resolution = 0.1 }]
"""


class AtFixture:
    """Takes the instrument probes; serves as `Taker`."""

    def __init__(self, catalogue: ProbeCatalogue, folder: Path, clocks: Clocks, leak: float) -> None:
        folder.mkdir(parents=True)
        (folder / "pressure.toml").write_text(GAUGE, "utf-8")
        self._catalogue, self._clocks = catalogue, clocks
        self._bench = Fixture(folder, clocks, leak)

    async def take(
        self,
        probe: str,
        settings: Mapping[str, Any],
        host_address: str,
        *,
        declaration: ProbeDeclaration,
        **_: Any,
    ) -> AsyncGenerator[Step]:
        host = InstrumentHost(self._bench, self._clocks, 600.0)
        async with aclosing(run_probe(self._catalogue.probe(probe), host, settings)) as steps:
            async for step in steps:
                yield step
