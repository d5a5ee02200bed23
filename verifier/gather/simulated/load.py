"""A load on the simulated unit: its processor gives off more heat, and says so in files as a real one does."""

from __future__ import annotations

import math

from verifier.gather.simulated.files import Content
from verifier.gather.simulated.parts import Thermal
from verifier.gather.simulated.thermal import Sensor
from verifier.services import Clocks

CORES, TICKS = 4, 100
"""Cores, and ticks of a second in /proc/stat."""
PACKAGE = "/sys/class/powercap/intel-rapl:0"
ENERGY_RANGE = 262_143_328_850
"""Microjoules after which the counter begins again at 0."""
AT_REST = 0.03
"""Part of its time that the processor is busy at rest."""


class SimulatedLoad:
    def __init__(self, made_of: Thermal, sensor: Sensor, clocks: Clocks) -> None:
        self._made_of, self._sensor, self._clocks = made_of, sensor, clocks
        self._until = -math.inf
        self._changed = 0.0
        self._joules, self._busy = 0.0, 0.0

    async def start(self, seconds: float) -> str:
        self._settle()
        self._until = self._clocks.boot() + seconds
        self._sensor.power = self._made_of.full_power
        return f"a simulated load of {self._made_of.full_power:g} W"

    async def renew(self) -> None:
        self._settle()

    async def stop(self) -> None:
        self._settle()
        self._until = -math.inf
        self._sensor.power = self._made_of.power

    def _settle(self) -> None:
        """Count what has been used since the last change; a load whose time is up has ended then."""
        now = self._clocks.boot()
        if self._changed < self._until <= now:
            self._count(self._until)
            self._sensor.temperature(self._until)
            self._sensor.power = self._made_of.power
        self._count(now)
        self._sensor.temperature(now)

    def _count(self, at: float) -> None:
        took = at - self._changed
        self._joules += took * self._sensor.power
        self._busy += took * (1.0 if self._sensor.power == self._made_of.full_power else AT_REST)
        self._changed = at

    def contents(self) -> dict[str, Content]:
        """Linux Documentation/filesystems/proc.rst, 1.7; Documentation/power/powercap/powercap.rst."""

        def stat() -> str:
            self._settle()
            busy = round(self._busy * CORES * TICKS)
            idle = round(self._clocks.boot() * CORES * TICKS) - busy
            return f"cpu  {busy} 0 0 {max(idle, 0)} 0 0 0 0 0 0\n"

        def energy() -> str:
            self._settle()
            return f"{round(self._joules * 1e6) % ENERGY_RANGE}\n"

        return {
            "/proc/stat": stat,
            f"{PACKAGE}/name": "package-0\n",
            f"{PACKAGE}/max_energy_range_uj": f"{ENERGY_RANGE}\n",
            f"{PACKAGE}/energy_uj": energy,
        }
