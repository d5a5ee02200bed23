"""A unit with a clock whose truth is known, for the tests of retention: one object for each start of the unit."""

from __future__ import annotations

import errno
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import anyio

from verifier.gather.catalogue import load_catalogue
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.gather.workers import run_probe
from verifier.readings import Basis, Contribution, Reading, SoFar
from verifier.services import CommandResult, Fix
from verifier.steps import Ask, Consult, Cue, Pause

NOON = 1_795_608_000.0
"""2026-11-25T12:00:00Z."""


class WrongWall(VirtualClocks):
    """The system time of a computer whose own clock has gone astray."""

    shown_year_off = 0.0

    def wall(self) -> float:
        return super().wall() + self.shown_year_off


@dataclass
class Clock:
    """What the unit's clock shows at a true time."""

    ahead: float = 3600.4
    ppm: float = 12.0
    lost_at: float | None = None
    """True time from which it counts anew."""
    starts: float = 946_684_800.0
    invalid: bool = False
    stands_at: float | None = None

    def shows(self, true: float) -> float:
        if self.lost_at is not None and true >= self.lost_at:
            return self.starts + true - self.lost_at
        return true + self.ahead + (true - NOON) * self.ppm * 1e-6


@dataclass
class Unit:
    """Runs a probe in one start of unit and bench; `true` is the true time when that begins."""

    shows: Clock
    true: float = NOON
    boot_id: str = "a"
    up: float = 1000.0
    """Seconds that it has been up at `true`."""
    wall_off: float = 0.0
    reference_off: float = 0.0
    reads_take: float = 0.0005
    answers: list[str] = field(default_factory=list)
    given: list[Reading] = field(default_factory=list)
    """What the instruments give."""
    files_more: dict[str, str] = field(default_factory=dict)
    kernel_log: str = ""
    kept_right: bool | None = None
    flags: int | None = None
    said: list[str] = field(default_factory=list)

    address = "local"
    services = frozenset({"files", "commands", "clock", "reference"})

    def __post_init__(self) -> None:
        self.clocks = WrongWall(1, began=self.true)
        self.clocks.shown_year_off = self.wall_off
        self.files = self.commands = self.clock = self.reference = self

    # ---- the host ---------------------------------------------------------------------------------

    @property
    def now(self) -> float:
        return self.true + self.clocks.boot()

    @property
    def _files(self) -> dict[str, str]:
        return {
            "/proc/sys/kernel/random/boot_id": self.boot_id,
            "/proc/uptime": f"{self.up + self.clocks.boot():.2f} 0.00",
            "/sys/class/rtc/rtc0": "",
            **self.files_more,
        }

    async def read(self, path: str, limit: int = 65_536) -> bytes:
        if path == "/sys/class/rtc/rtc0/since_epoch":
            await anyio.sleep(self.reads_take / 2)
            shown = self.shows.shows(self.shows.stands_at or self.now)
            await anyio.sleep(self.reads_take / 2)
            if self.shows.invalid:
                raise OSError(errno.EINVAL, "", path)
            return f"{int(shown)}\n".encode()
        if path not in self._files:
            raise FileNotFoundError(errno.ENOENT, "", path)
        return self._files[path].encode()

    async def names(self, path: str) -> list[str]:
        found = {p.removeprefix(f"{path}/").partition("/")[0] for p in self._files if p.startswith(f"{path}/")}
        return sorted(found)

    async def exists(self, path: str) -> bool:
        return path in self._files

    async def real_path(self, path: str) -> str:
        return path

    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        return CommandResult(argv=argv, exit=0, stdout=self.kernel_log)

    def wall(self) -> float:
        return self.clocks.wall()

    def disciplined(self) -> bool | None:
        return self.kept_right

    async def rtc_flags(self, name: str) -> int:
        from verifier.errors import NotPossible

        if self.flags is None:
            raise NotPossible("no flags")
        return self.flags

    async def network(self, server: str, port: int) -> Fix:
        known = Contribution.half_width(0.005, basis=Basis.SPECIFICATION, note="half the round trip")
        time = self.now + self.reference_off
        return Fix(at=self.clocks.loop(), time=time, contributions=(known,), origin=f"SNTP, {server}")

    async def peer(self, name: str) -> Fix:
        return await self.network(name, 0)

    # ---- running a probe on it --------------------------------------------------------------------

    def take(self, probe: str, settings: dict[str, Any], so_far: Sequence[Reading] = ()) -> Taken:
        taken = Taken()

        async def collect() -> None:
            went_on = SoFar(readings=tuple(so_far)) if so_far else None
            async for step in run_probe(load_catalogue().probe(probe), self, settings, went_on):  # type: ignore[arg-type]
                match step:
                    case Reading():
                        taken.readings.append(step)
                    case Pause():
                        taken.pause = step
                    case Ask():
                        self.said.append(step.say)
                        step.answer = self.answers.pop(0)
                    case Cue():
                        self.said.append(step.say)
                        await anyio.sleep(60 - self.now % 60)  # who presses does so at the full minute
                    case Consult():
                        step.given, step.boot = self.given.pop(0), self.clocks.boot()

        anyio.run(collect, backend_options=backend_options(self.clocks))
        return taken


@dataclass
class Taken:
    readings: list[Reading] = field(default_factory=list)
    pause: Pause | None = None

    def __getitem__(self, name: str) -> Any:
        return next(r.value for r in self.readings if r.name == name)

    def u(self, name: str) -> float:
        """Standard uncertainty."""
        reading = next(r for r in self.readings if r.name == name)
        return sum(c.u**2 for c in reading.contributions) ** 0.5

    @property
    def names(self) -> set[str]:
        return {r.name for r in self.readings}
