"""The simulated unit as a host: identity, a temperature sensor, wired ports, serial lines."""

from __future__ import annotations

import errno
from collections.abc import Callable
from datetime import UTC, datetime

from verifier.errors import Absent, NotPossible
from verifier.gather.simulated.description import Description, Ethernet, Line, Thermal
from verifier.gather.simulated.files import Content, SimulatedFiles
from verifier.gather.simulated.serial_line import SCHEME, SimulatedLine
from verifier.gather.simulated.thermal import Sensor
from verifier.services import Clocks, CommandResult

NET, ZONE, DMI = "/sys/class/net", "/sys/class/thermal/thermal_zone0", "/sys/class/dmi/id"
FRAME = 512
"""Bytes of a frame, for the byte counters."""


class SimulatedCommands:
    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        raise Absent(f"the simulated unit has no command {' '.join(argv)[:200]}")


class SimulatedSerial:
    """The serial lines of the unit, each with a console at its far end."""

    def __init__(
        self, lines: tuple[Line, ...], clocks: Clocks, answers: Callable[[Line], Callable[[str], str]]
    ) -> None:
        self._lines = {line.name: line for line in lines}
        self._clocks, self._answers = clocks, answers

    def names(self) -> list[str]:
        return sorted(self._lines)

    async def open(self, name: str) -> SimulatedLine:
        """The line `simulated://NAME`, or just NAME. Absent where there is none."""
        line = self._lines.get(name.removeprefix(SCHEME))
        if line is None:
            known = ", ".join(self.names()) or "none"
            raise Absent(f"the simulated unit has no serial line {name[:100]!r}; it has {known}")
        return SimulatedLine(line, self._clocks, self._answers(line))


class SimulatedHost:
    """What it says at a moment follows from description, seed and time alone."""

    address = "simulated"

    def __init__(self, unit: Description, seed: int, clocks: Clocks) -> None:
        self.unit, self.clocks = unit, clocks
        self.services = frozenset({"files", "commands", *(["serial"] if unit.lines else [])})
        self.sensor = Sensor(unit.thermal, seed) if unit.thermal else None
        self.files = SimulatedFiles(self._contents(), clocks)
        self.commands = SimulatedCommands()
        self._serial = SimulatedSerial(unit.lines, clocks, self._console)

    @property
    def serial(self) -> SimulatedSerial:
        if "serial" not in self.services:
            raise NotPossible("the simulated unit has no serial line")
        return self._serial

    def _contents(self) -> dict[str, Content]:
        unit = self.unit
        contents: dict[str, Content] = {
            "/etc/os-release": f'PRETTY_NAME="{_quoted(unit.system.name)}"\n',
            "/proc/sys/kernel/osrelease": f"{unit.system.kernel}\n",
            "/proc/sys/kernel/arch": f"{unit.system.machine}\n",
        }
        for name, text in unit.identity.model_dump(exclude_none=True).items():
            contents[f"{DMI}/{name}"] = f"{text}\n"
        if unit.thermal is not None and self.sensor is not None:
            contents |= self._zone(unit.thermal, self.sensor)
        for port in unit.ethernet:
            contents |= self._port(port)
        return contents

    def _zone(self, thermal: Thermal, sensor: Sensor) -> dict[str, Content]:
        def millidegrees() -> str:
            return f"{round(sensor.reading(self.clocks.boot()) * 1000)}\n"

        return {f"{ZONE}/type": f"{thermal.sensor}\n", f"{ZONE}/temp": millidegrees}

    def _port(self, port: Ethernet) -> dict[str, Content]:
        """Files of one interface (Linux Documentation/ABI/testing/sysfs-class-net, -statistics)."""
        up = port.enabled and port.link
        off = OSError(errno.EINVAL, "")  # as the kernel says of an interface that is switched off
        at, hour = f"{NET}/{port.interface}", 3600.0

        def count(per_second: float) -> Callable[[], str]:
            rate = per_second if up else 0.0
            return lambda: f"{int(self.clocks.boot() * rate)}\n"

        counters = {
            "rx_packets": port.frames_per_second,
            "tx_packets": port.frames_per_second,
            "rx_bytes": port.frames_per_second * FRAME,
            "tx_bytes": port.frames_per_second * FRAME,
            "rx_errors": port.errors_per_hour / hour,
            "rx_crc_errors": port.errors_per_hour / hour,
            "tx_errors": 0.0,
            "rx_frame_errors": 0.0,
            "rx_dropped": 0.0,
            "tx_dropped": 0.0,
            "collisions": 0.0,
        }
        return {
            f"{at}/type": "1\n",
            f"{at}/device/uevent": "DRIVER=quayside-lan\n",  # a port of hardware, no bridge or tunnel
            f"{at}/address": f"{port.address}\n",
            f"{at}/mtu": "1500\n",
            f"{at}/flags": "0x1003\n" if port.enabled else "0x1002\n",
            f"{at}/operstate": "up\n" if up else "down\n",
            f"{at}/carrier": f"{int(up)}\n" if port.enabled else off,
            f"{at}/speed": (f"{port.speed}\n" if up else "-1\n") if port.enabled else off,
            f"{at}/duplex": (f"{port.duplex}\n" if up else "unknown\n") if port.enabled else off,
            f"{at}/carrier_changes": f"{int(up)}\n",
            **{f"{at}/statistics/{name}": count(rate) for name, rate in counters.items()},
        }

    def _console(self, line: Line) -> Callable[[str], str]:
        def answer(command: str) -> str:
            text = line.replies.get(command, line.unknown)
            serial = self.unit.identity.product_serial or ""
            return text.replace("{serial}", serial).replace("{time}", self._time())

        return answer

    def _time(self) -> str:
        """The unit's own clock, which gains by the error of its crystal."""
        gained = self.clocks.boot() * self.unit.system.crystal_ppm * 1e-6
        return f"{datetime.fromtimestamp(self.clocks.wall() + gained, UTC):%Y-%m-%d %H:%M:%S}"


def _quoted(text: str) -> str:
    # os-release(5): these four mean something between double quotes.
    return "".join(f"\\{c}" if c in '"\\$`' else c for c in text)
