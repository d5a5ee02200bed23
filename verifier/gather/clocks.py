"""Time, injected: the engine and every probe read it only through this object."""

from __future__ import annotations

import ctypes
import functools
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import ClassVar

import anyio

from verifier.readings import Moment
from verifier.services import Clocks

SIMULATED_BOOT = "simulated-"
"""How the boot id of simulated time begins; the kernel's are UUIDs."""


class RealClocks:
    """The clocks of this machine."""

    def __init__(self) -> None:
        try:
            self._boot_id = Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
        except OSError:
            # Without it no two power-ups can be told apart, so no duration spans one either.
            self._boot_id = "unknown"

    def loop(self) -> float:
        return anyio.current_time()

    def boot(self) -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def boot_id(self) -> str:
        return self._boot_id

    def wall(self) -> float:
        return time.time()

    async def sleep(self, seconds: float) -> None:
        """Sleep by CLOCK_BOOTTIME: a machine that was suspended in between has slept too."""
        until = self.boot() + seconds
        while (left := until - self.boot()) > 0:
            # The loop's own clock stops in suspend; looking again at most a minute late is enough.
            await anyio.sleep(min(left, 60.0))


def rfc3339(wall: float) -> str:
    """UTC as RFC 3339 text with milliseconds; `wall` in seconds since 1970-01-01 UTC."""
    return datetime.fromtimestamp(wall, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def moment(clocks: Clocks) -> Moment:
    return Moment(wall=rfc3339(clocks.wall()), boot=f"{clocks.boot():.6f}", boot_id=clocks.boot_id())


class _Timex(ctypes.Structure):
    # struct timex of <sys/timex.h>, up to `status`; the rest is room for what the kernel fills in.
    _fields_: ClassVar = [
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 40),
    ]


_STA_UNSYNC = 0x0040


@functools.cache
def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def clock_synchronised() -> bool | None:
    """Whether the kernel's clock is disciplined (adjtimex(2), STA_UNSYNC); None where it does not say."""
    timex = _Timex(modes=0)
    try:
        if _libc().adjtimex(ctypes.byref(timex)) < 0:
            return None
    except (OSError, AttributeError):
        return None
    return not timex.status & _STA_UNSYNC
