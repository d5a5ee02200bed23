"""This computer's own clocks: its system time, and what its real-time clocks say of their battery."""

from __future__ import annotations

import errno
import fcntl
import os
import re
import struct

from verifier.errors import Absent, NotPossible
from verifier.gather.clocks import clock_synchronised
from verifier.services import Clocks

RTC_VL_READ = 0x80047013
"""_IOR('p', 0x13, unsigned int) in include/uapi/linux/rtc.h."""


class LocalClock:
    def __init__(self, clocks: Clocks) -> None:
        self._clocks = clocks

    def wall(self) -> float:
        return self._clocks.wall()

    def disciplined(self) -> bool | None:
        return clock_synchronised()

    async def rtc_flags(self, name: str) -> int:
        if not re.fullmatch(r"rtc\d{1,3}", name):
            raise Absent(f"{name[:50]!r} is no real-time clock")
        path = f"/dev/{name}"
        try:
            fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        except OSError as error:
            if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
                raise Absent(f"there is no real-time clock {name}") from None
            if error.errno == errno.EBUSY:
                raise NotPossible(f"{path} is in use by another program") from None
            raise
        try:
            answer = fcntl.ioctl(fd, RTC_VL_READ, struct.pack("I", 0))
        except OSError as error:
            if error.errno in (errno.ENOTTY, errno.EINVAL):
                raise NotPossible(f"the driver of {name} does not say how its battery is") from None
            raise
        finally:
            os.close(fd)
        return int(struct.unpack("I", answer)[0])
