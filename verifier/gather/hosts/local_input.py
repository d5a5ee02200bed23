"""This computer's own input devices, taken down for a while."""

from __future__ import annotations

import fcntl
import os
import struct
from contextlib import suppress

import anyio

from verifier.errors import Absent, BenchFault
from verifier.gather.hosts.input_events import GONE, RECORD_LIMIT, events_of, node_of
from verifier.gather.virtual_time import hold
from verifier.services import Clocks, InputEvent

# The ioctls of include/uapi/linux/input.h.
_EVIOCGRAB = 0x40044590
_AXIS = struct.Struct("@6i")
"""struct input_absinfo: value, least, greatest, fuzz, flat, resolution."""
_MOST_CODES = 0x40


def _axis_request(code: int) -> int:
    """EVIOCGABS(code): _IOR('E', 0x40 + code, struct input_absinfo)."""
    return 2 << 30 | _AXIS.size << 16 | ord("E") << 8 | (0x40 + code)


class LocalInput:
    def __init__(self, clocks: Clocks) -> None:
        self._clocks = clocks

    async def axis(self, device: str, code: int) -> tuple[int, int] | None:
        if not 0 <= code < _MOST_CODES:
            return None
        fd = _opened(device)
        try:
            _, least, greatest, *_ = _AXIS.unpack(fcntl.ioctl(fd, _axis_request(code), bytes(_AXIS.size)))
        except OSError:
            return None
        finally:
            os.close(fd)
        return (least, greatest) if least < greatest else None

    async def record(self, device: str, seconds: float) -> tuple[InputEvent, ...]:
        data = bytearray()
        fd = _opened(device)
        try:
            # Ours alone: what is touched or pressed meanwhile does nothing on this computer.
            with suppress(OSError):
                fcntl.ioctl(fd, _EVIOCGRAB, 1)
            with hold(rate=1.0), anyio.move_on_after(seconds):
                while True:
                    await anyio.wait_readable(fd)
                    data += _read(fd, device)
                    if len(data) > RECORD_LIMIT:
                        raise BenchFault(f"{device} reported more than {RECORD_LIMIT} bytes")
        finally:
            os.close(fd)
        return events_of(bytes(data), device)


def _opened(device: str) -> int:
    try:
        return os.open(node_of(device), os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        if error.errno in GONE:
            raise Absent(f"there is no event device {device}") from None
        raise


def _read(fd: int, device: str) -> bytes:
    try:
        data = os.read(fd, 65_536)
    except BlockingIOError:
        return b""
    except OSError as error:
        if error.errno not in GONE:
            raise
        data = b""
    if not data:
        raise Absent(f"the event device {device} went away")
    return data
