"""The simulated unit as a host: what it says follows from description, seed, time, and what was done to it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import partial

from verifier.declare.suite import Console
from verifier.errors import Absent, NotPossible
from verifier.gather.hosts.console import ConsoleLine
from verifier.gather.simulated import sockets, tablet
from verifier.gather.simulated.answering import Answering
from verifier.gather.simulated.buttons import SimulatedButtons
from verifier.gather.simulated.chance import spread
from verifier.gather.simulated.clock import UnitClock
from verifier.gather.simulated.commands import CONSOLE_FILES, SimulatedCommands
from verifier.gather.simulated.description import Description
from verifier.gather.simulated.ethernet import Port
from verifier.gather.simulated.files import Content, SimulatedFiles
from verifier.gather.simulated.instruments import FakeInstrument, SimulatedInstruments, Truth
from verifier.gather.simulated.load import SimulatedLoad
from verifier.gather.simulated.media import SimulatedMedia
from verifier.gather.simulated.network import SimulatedNet
from verifier.gather.simulated.parts import Line, Thermal
from verifier.gather.simulated.points import Points
from verifier.gather.simulated.radio import Antennas, SimulatedRadio
from verifier.gather.simulated.reference import SimulatedReference
from verifier.gather.simulated.serial_line import SCHEME, LoopedLines, SimulatedLine
from verifier.gather.simulated.sound import SimulatedSound
from verifier.gather.simulated.state import UnitState
from verifier.gather.simulated.tablet import Gauge, SimulatedInput
from verifier.gather.simulated.thermal import Sensor
from verifier.services import Clocks

ZONE, DMI = "/sys/class/thermal/thermal_zone0", "/sys/class/dmi/id"


class SimulatedSerial:
    """The serial lines of the unit, each with a console at its far end."""

    def __init__(self, lines: tuple[Line, ...], clocks: Clocks, answer: Callable[[Line, str], str]) -> None:
        self._lines = {line.name: line for line in lines}
        self._clocks, self._answer = clocks, answer

    def names(self) -> list[str]:
        return sorted(self._lines)

    async def open(self, name: str) -> SimulatedLine:
        """The line `simulated://NAME`, or just NAME. Absent where there is none."""
        line = self._lines.get(name.removeprefix(SCHEME))
        if line is None:
            known = ", ".join(self.names()) or "none"
            raise Absent(f"the simulated unit has no serial line {name[:100]!r}; it has {known}")
        return SimulatedLine(line, self._clocks, partial(self._answer, line))


class SimulatedHost:
    address = "simulated"

    fingerprint = ""

    def __init__(self, unit: Description, seed: int, clocks: Clocks, console: Console | None = None) -> None:
        """`console` is how the suite speaks to the unit's console, which is at the first of its lines."""
        self.unit, self.seed, self.clocks = unit, seed, clocks
        self.state = UnitState()
        self._fakes: Mapping[str, FakeInstrument] = {}
        ours = unit.system.runs_ours
        offered = {
            "files": ours,
            "commands": ours,
            "serial": ours and bool(unit.lines),
            "clock": ours and unit.clock.rtc is not None,
            "net": ours and bool(unit.ethernet),
            "sound": ours and unit.sound is not None,
            "media": ours and any(socket.medium for socket in unit.usb.values()),
            "radio": ours and unit.radio is not None,
            "input": ours and (unit.touch is not None or unit.keys is not None),
            "buttons": ours and unit.button is not None,
            "console": console is not None and bool(unit.lines),
            "load": ours and unit.thermal is not None,
            "reference": True,  # the bench beside it
        }
        self.services = frozenset(name for name, there in offered.items() if there)
        self.sensor = Sensor(unit.thermal, seed) if unit.thermal else None
        self._load = SimulatedLoad(unit.thermal, self.sensor, clocks) if unit.thermal and self.sensor else None
        self.clock = UnitClock(unit.clock, unit.cell, seed, clocks, self.state)
        self.reference = SimulatedReference(seed, clocks)
        self.points = Points(unit, seed, self.state)
        self.antennas = Antennas(unit.radio, seed) if unit.radio else None
        self._radio = SimulatedRadio(self.antennas, seed, clocks) if self.antennas else None
        self.ports = {
            made_of.interface: Port(made_of, seed, clocks, self.state, docked=self._in_dock(made_of.interface))
            for made_of in unit.ethernet
        }
        self.net = SimulatedNet(self.ports, seed, clocks)
        self._sound = SimulatedSound(unit.sound, seed, clocks) if unit.sound else None
        self._input = SimulatedInput(unit.touch, unit.keys, seed, clocks, self.state)
        at_usb, gone = sockets.usb(unit.usb, self.state)
        self.media = SimulatedMedia(unit.usb, gone, seed, clocks)
        on_media, links, ejected = self.media.contents()
        at_usb, gone = at_usb | on_media, gone | ejected
        if unit.dock is not None:
            in_dock, undocked = tablet.dock(unit.dock, self.state)
            at_usb, gone = at_usb | in_dock, gone | undocked
        self.files = SimulatedFiles(self._contents() | at_usb, clocks, gone, links)
        self.commands = SimulatedCommands(unit, clocks, self.state)
        answering = Answering(unit, seed, clocks, self.state, self.clock)
        self._serial = SimulatedSerial(unit.lines, clocks, answering.answer)
        self.serial_lines = LoopedLines(unit.lines, seed, clocks)
        self._buttons = SimulatedButtons(unit.button, seed, clocks, self.state) if unit.button else None
        self._console = ConsoleLine(unit.lines[0].name, console, self._opened) if console and unit.lines else None

    async def start(self) -> None:
        """Open the console, where there is one, and bring the unit to rest, as on a real line."""
        if self._console is not None:
            await self._console.open()
            await self._console.rest()

    async def aclose(self) -> None:
        if self._console is not None:
            await self._console.rest()
            await self._console.aclose()

    async def _opened(self, name: str, _: Console) -> SimulatedLine:
        return await self._serial.open(name)

    @property
    def serial(self) -> SimulatedSerial:
        if "serial" not in self.services:
            raise NotPossible("the simulated unit has no serial line")
        return self._serial

    @property
    def buttons(self) -> SimulatedButtons:
        if self._buttons is None:
            raise NotPossible("the simulated unit has no power button")
        return self._buttons

    def _in_dock(self, interface: str) -> bool:
        return self.unit.dock is not None and self.unit.dock.network == interface

    @property
    def sound(self) -> SimulatedSound:
        if self._sound is None:
            raise NotPossible("the simulated unit has no sound")
        return self._sound

    @property
    def radio(self) -> SimulatedRadio:
        if self._radio is None:
            raise NotPossible("the simulated unit has no radio")
        return self._radio

    @property
    def input(self) -> SimulatedInput:
        return self._input

    @property
    def console(self) -> ConsoleLine:
        if self._console is None:
            raise NotPossible("the simulated unit has no console")
        return self._console

    @property
    def load(self) -> SimulatedLoad:
        if self._load is None:
            raise NotPossible("the simulated unit has no processor to heat")
        return self._load

    def instruments(self) -> SimulatedInstruments:
        """The instruments of the bench beside it."""
        bench = self.unit.bench
        truths: dict[str, Truth] = {name: partial(self._truth, place.at) for name, place in bench.items()}
        described = {name: place.instrument for name, place in bench.items()}
        made = SimulatedInstruments(described, truths, self.seed, self.clocks)
        self._fakes = made.fakes
        return made

    def _truth(self, at: str, quantity: str, instrument: FakeInstrument) -> float:
        """What is there for an instrument to measure."""
        on, now = instrument.since is not None, self.clocks.boot()
        match at, quantity:
            case "supply", "voltage":
                return instrument.set.get("voltage", 0.0) if on else 0.0
            case "supply", "current":
                return self._drawn(instrument.since)
            case "usb", "current":
                return instrument.set.get("current", 0.0) if on else 0.0
            case "usb", "voltage" if self.state.loaded:
                return self.points.value(
                    f"usb.{self.state.loaded}", instrument.set.get("current", 0.0) if on else 0.0
                )
            case "case", "pressure" if (case := self.unit.case) is not None:
                if self.state.filled_at is None:
                    return 0.0
                leak = max(0.0, case.leak + spread(self.seed, "case", case.spread))
                return max(0.0, case.filled - leak * (now - self.state.filled_at))
            case "cell", "voltage":
                return self.points.value(at, self._from_cell())
            case "air", "temperature" if self.unit.thermal is not None:
                return self.unit.thermal.ambient
            case _, "power":
                return self._truth(at, "voltage", instrument) * self._truth(at, "current", instrument)
        try:
            return self.points.value(at, at=now)
        except KeyError:
            return 0.0  # connected to nothing

    def _from_cell(self) -> float:
        """What the bench draws from the coin cell now, in A."""
        cell, amps = self.unit.cell, 0.0
        if cell is None:
            return amps
        volts = abs(self.points.value("cell"))
        for name, place in self.unit.bench.items():
            if place.at == "cell":
                fake = self._fakes[name]
                amps += fake.set.get("current", 0.0) if fake.since is not None else 0.0
                amps += sum(
                    volts / (ohms + cell.ohms) for which, ohms in place.contacts.items() if which in fake.closed
                )
        return amps

    def _drawn(self, fed_since: float | None) -> float:
        """What the unit draws of the bench supply now, in A: off until its button is heard, where it has one."""
        supply = self.unit.supply
        if fed_since is None or supply is None:
            return 0.0
        now = self.clocks.boot()
        presses = (
            [e.at for e in self._buttons.events() if e.value == 1 and fed_since < e.at] if self._buttons else []
        )
        started = presses[0] if presses else math.inf if self._buttons else fed_since
        if now < started:
            return self.points.value("supply.off", at=now)
        starting = now - started < supply.start_seconds
        return self.points.value("supply.start" if starting else "supply.idle", at=now)

    def press(self) -> None:
        """Somebody presses the power button now."""
        self.state.presses.append(self.clocks.boot())

    def _contents(self) -> dict[str, Content]:
        unit, clocks, state = self.unit, self.clocks, self.state
        contents: dict[str, Content] = {
            "/etc/os-release": f'PRETTY_NAME="{_quoted(unit.system.name)}"\n',
            "/proc/sys/kernel/osrelease": f"{unit.system.kernel}\n",
            "/proc/sys/kernel/arch": f"{unit.system.machine}\n",
        }
        for name, text in unit.identity.model_dump(exclude_none=True).items():
            contents[f"{DMI}/{name}"] = f"{text}\n"
        if unit.system.memory:
            contents["/proc/meminfo"] = f"MemTotal:       {round(unit.system.memory * 2**20)} kB\n"
        if unit.thermal is not None and self.sensor is not None:
            contents |= self._zone(unit.thermal, self.sensor)
        if self._load is not None:
            contents |= self._load.contents()
        for port in self.ports.values():
            contents |= port.contents()
        contents |= self.clock.contents() | sockets.displays(unit.displays, state) | sockets.storage(unit.storage)
        if unit.radio is not None and self.antennas is not None:
            contents |= sockets.radio(unit.radio, self.antennas, clocks)
        if unit.button is not None:
            contents |= sockets.button(unit.button)
        contents |= self._input.contents() | tablet.cameras(unit.cameras)
        if unit.battery is not None:
            contents |= Gauge(unit.battery, clocks, state).contents()
        if unit.motion is not None:
            contents |= tablet.motion(unit.motion, self.seed, clocks, state)
        if unit.backlight is not None:
            contents |= tablet.backlight(unit.backlight)
        if unit.displays:
            contents |= CONSOLE_FILES
        if unit.sound is not None:
            contents |= sockets.sound(unit.sound)
        return contents

    def _zone(self, thermal: Thermal, sensor: Sensor) -> dict[str, Content]:
        def millidegrees() -> str:
            return f"{round(sensor.reading(self.clocks.boot()) * 1000)}\n"

        return {f"{ZONE}/type": f"{thermal.sensor}\n", f"{ZONE}/temp": millidegrees}


def _quoted(text: str) -> str:
    # os-release(5): these four mean something between double quotes.
    return "".join(f"\\{c}" if c in '"\\$`' else c for c in text)
