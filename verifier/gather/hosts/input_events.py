"""The bytes that an event device gives -> events; what this computer and a unit over SSH have in common."""

from __future__ import annotations

import errno
import re
import struct

from verifier.errors import Absent, BenchFault
from verifier.services import InputEvent

RECORD_LIMIT = 1 << 22
"""Bytes of one recording: some 170,000 events."""
GONE = frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO})
"""What the system says of a device that is not there, or went away while it was read."""
_LAYOUTS = (struct.Struct("<qqHHi"), struct.Struct("<IIHHi"))
"""struct input_event of include/uapi/linux/input.h, as 64-bit and as 32-bit programs get it."""
_EV_MAX = 0x1F
_EV_SYN, _SYN_DROPPED = 0, 3


def node_of(device: str) -> str:
    """The device node of an event device such as event3; Absent for what is none."""
    if not re.fullmatch(r"event\d{1,6}", device):
        raise Absent(f"{device[:50]!r} is no event device")
    return f"/dev/input/{device}"


def events_of(data: bytes, device: str) -> tuple[InputEvent, ...]:
    """The events in what was read of a device. BenchFault for bytes that are none, and where some were dropped."""
    for layout in _LAYOUTS:
        if len(data) % layout.size:
            continue
        rows = list(layout.iter_unpack(data))
        if all(kind <= _EV_MAX and 0 <= micros < 1_000_000 for _, micros, kind, _, _ in rows):
            break
    else:
        raise BenchFault(f"the event device {device} gave bytes that are no events")
    if any(kind == _EV_SYN and code == _SYN_DROPPED for _, _, kind, code, _ in rows):
        raise BenchFault(f"the kernel dropped events of {device}")
    return tuple(
        InputEvent(kind=kind, code=code, value=value, at=seconds + micros / 1e6)
        for seconds, micros, kind, code, value in rows
    )
