"""A lithium cell on a charger, as a small model, and a unit whose gauge shows it, in virtual time.

Open-circuit voltage linear in the state of charge, one series resistance, constant current up to the end-of-charge
voltage and constant voltage after it; heat by I²R and a fixed loss through one thermal resistance. A model to
exercise what watches a charge, no data of any product.
"""

from __future__ import annotations

import math
import posixpath
from dataclasses import dataclass, field

from verifier.errors import BenchFault
from verifier.gather.virtual_time import VirtualClocks
from verifier.services import CommandResult

BAT = "/sys/class/power_supply/BAT0"


@dataclass
class Cell:
    """Its state after a time comes from steps of one second."""

    capacity: float = 7.6
    """A·h"""
    soc: float = 0.9
    limit: float = 1.9
    """A"""
    end_voltage: float = 4.35
    ohms: float = 0.06
    ambient: float = 23.0
    kelvin_per_watt: float = 15.0
    heat_time: float = 600.0
    cutoff: float = 0.1
    """A, at which the charger itself ends the charge"""
    temperature: float = 23.0
    voltage: float = field(default=0.0, init=False)
    current: float = field(default=0.0, init=False)
    full: bool = field(default=False, init=False)

    def open_voltage(self) -> float:
        return 3.4 + 0.95 * self.soc

    def step(self, plugged: bool) -> None:
        """One second."""
        if plugged and not self.full:
            self.current = max(0.0, min(self.limit, (self.end_voltage - self.open_voltage()) / self.ohms))
            self.full = self.current <= self.cutoff
        else:
            self.current = 0.0 if plugged else -0.3
        self.soc += self.current / 3600 / self.capacity
        self.voltage = self.open_voltage() + self.current * self.ohms
        warm = self.ambient + self.kelvin_per_watt * self.current**2 * self.ohms * 4
        self.temperature += (warm - self.temperature) * (1 - math.exp(-1 / self.heat_time))


class Charging:
    """A host with a battery on its charger. Serves as files, commands and host."""

    address = "ssh://unit@192.0.2.1"
    services = frozenset({"files", "commands"})

    def __init__(self, cell: Cell, *, behaviour: bool = True) -> None:
        self.clocks = VirtualClocks(seed=1)
        self.cell, self.behaviour = cell, behaviour
        self.plugged, self.obeys, self.inhibited = True, True, False
        self.unplugged_at = self.blind_at = math.inf
        self.noise: dict[str, str] = {}
        """Files that say something of their own."""
        self.said: list[str] = []
        self.commanded: list[tuple[str, ...]] = []
        self._done = 0
        self.files = self.commands = self

    def _catch_up(self) -> None:
        while self._done <= self.clocks.loop():
            self.cell.step(self.plugged and not self.inhibited and self._done < self.unplugged_at)
            self._done += 1

    def _status(self) -> str:
        if not self.plugged or self._done >= self.unplugged_at:
            return "Discharging"
        if self.inhibited:
            return "Not charging"
        return "Full" if self.cell.full else "Charging"

    async def read(self, path: str, limit: int = 65_536) -> bytes:
        self._catch_up()
        if self._done >= self.blind_at:
            raise BenchFault("the link to the unit was lost")
        cell = self.cell
        files = {
            "type": "Battery",
            "status": self._status(),
            "voltage_now": str(round(cell.voltage * 1e6)),
            # This driver counts what flows in as negative.
            "current_now": str(round(-(0.0 if self.inhibited else cell.current) * 1000) * 1000),
            "temp": str(round(cell.temperature * 10)),
            **self.noise,
        }
        if self.behaviour:
            files["charge_behaviour"] = "auto [inhibit-charge]" if self.inhibited else "[auto] inhibit-charge"
        folder, name = posixpath.split(path)
        if folder != BAT or name not in files:
            raise FileNotFoundError(2, "No such file or directory", path)
        return f"{files[name]}\n".encode()

    async def names(self, path: str) -> list[str]:
        return ["BAT0"] if path == "/sys/class/power_supply" else []

    async def real_path(self, path: str) -> str:
        return path

    async def exists(self, path: str) -> bool:
        return path == BAT

    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        self.commanded.append(argv)
        self.inhibited = self.obeys
        return CommandResult(argv=argv, exit=0, stdout="")
