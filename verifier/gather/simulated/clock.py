"""The clock of a simulated unit: its crystal, its cell, and what it shows at any moment."""

from __future__ import annotations

import errno
from datetime import UTC, datetime

from verifier.errors import Absent, NotPossible
from verifier.gather.simulated.chance import spread
from verifier.gather.simulated.files import Content
from verifier.gather.simulated.parts import Cell, Clock
from verifier.gather.simulated.state import UnitState
from verifier.services import Clocks

RTC = "/sys/class/rtc"


def rate(made_of: Clock, seed: int) -> float:
    """By how much it gains, in millionths, at its temperature.

    The frequency of a tuning-fork crystal falls with the square of the distance from its turnover temperature.
    """
    away = made_of.temperature - made_of.turnover
    return made_of.crystal_ppm + spread(seed, "crystal", made_of.spread) - made_of.parabola * away * away


def cell_volts(cell: Cell | None, seed: int) -> float:
    """What arrives of the cell at the main board, in V."""
    if cell is None or not cell.connected:
        return 0.0
    volts = max(0.0, cell.volts + spread(seed, "cell", cell.spread))
    return -volts if cell.reversed else volts


class UnitClock:
    """Serves as the service `clock`."""

    def __init__(self, made_of: Clock, cell: Cell | None, seed: int, clocks: Clocks, state: UnitState) -> None:
        self._made_of, self._cell, self._clocks, self._state = made_of, cell, clocks, state
        self.ppm = rate(made_of, seed)
        self.volts = cell_volts(cell, seed)

    @property
    def keeps(self) -> bool:
        """Whether the cell keeps it going while the supply is away."""
        return self._cell is not None and self.volts >= self._cell.empty

    def lost_at(self) -> float | None:
        """When it last lost its time, in seconds of boot time; None when it never did."""
        if self.keeps:
            return 0.0 if self._made_of.lost else None
        ended = [end for begun, end in self._state.cuts if end - begun > self._made_of.holds_up]
        return max(ended, default=0.0 if self._made_of.lost else None)

    def shows(self) -> float:
        """Its time in seconds since 1970, by its own count."""
        now, lost = self._clocks.boot(), self.lost_at()
        if lost is not None:
            return self._made_of.forgotten + (now - lost) * (1 + self.ppm * 1e-6)
        return self._clocks.wall() + self._made_of.ahead + now * self.ppm * 1e-6

    def text(self) -> str:
        return f"{datetime.fromtimestamp(self.shows(), UTC):%Y-%m-%d %H:%M:%S}"

    def contents(self) -> dict[str, Content]:
        """Its files (Linux Documentation/ABI/testing/sysfs-class-rtc)."""
        name = self._made_of.rtc
        if name is None:
            return {}

        def since_epoch() -> str | OSError:
            if self.lost_at() is not None and self._made_of.flags:
                return OSError(errno.EINVAL, "")  # as a driver says that knows its time to be lost
            return f"{int(self.shows())}\n"

        at = f"{RTC}/{name}"
        return {f"{at}/name": "rtc_quay\n", f"{at}/hctosys": "1\n", f"{at}/since_epoch": since_epoch}

    # ---- service `clock` --------------------------------------------------------------------------

    def wall(self) -> float:
        """The unit's system time, which its network keeps right."""
        return self._clocks.wall()

    async def rtc_flags(self, name: str) -> int:
        if name != self._made_of.rtc:
            raise Absent(f"the simulated unit has no real-time clock {name[:50]}")
        if not self._made_of.flags or self._cell is None:
            raise NotPossible(f"the driver of {name[:50]} has no voltage flags")
        invalid = self.lost_at() is not None
        # RTC_VL_DATA_INVALID, _BACKUP_LOW and _BACKUP_EMPTY in include/uapi/linux/rtc.h
        return invalid | (self.volts < self._cell.low) << 1 | (self.volts < self._cell.empty) << 2
