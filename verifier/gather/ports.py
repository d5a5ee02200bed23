"""Opening a serial port: which names are opened at all, with which settings, and why one would not open.

Shared by the console of a unit, the lines of a host and the instruments; how bytes are moved is their own affair.
"""

from __future__ import annotations

import errno
import os
import termios
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import serial

SCHEMES = ("/dev/", "socket://", "loop://")
"""Ports that may be opened. Others of the library's can write files or log what is said."""
FORMS = "/dev/..., socket://HOST:PORT or loop://"
_PARITIES = {"none": "N", "even": "E", "odd": "O"}


class Obstacle(Enum):
    """Why a port would not open."""

    MISSING = "the port is not there"
    FORBIDDEN = "this account may not use it"
    BUSY = "another program is using it"
    OTHER = "it cannot be opened so"


TO_DO = {
    Obstacle.MISSING: "Is the adapter plugged in? `ls /dev/serial/by-id` shows those that are.",
    Obstacle.FORBIDDEN: "Allow this account to use it: on Debian, `adduser NAME dialout`, then log in again.",
    Obstacle.BUSY: "Close that program.",
    Obstacle.OTHER: "Is what is at its other end switched on, and its cable in?",
}
OPENING_ERRORS = (OSError, ValueError, termios.error)
"""What `open_port` may raise; the library's own SerialException is an OSError."""


def usable(name: str) -> bool:
    return name.startswith(SCHEMES) and ".." not in name


def open_port(
    name: str,
    *,
    baud: int,
    bits: int = 8,
    parity: str = "none",
    stop_bits: float = 1,
    flow: str = "none",
    timeout: float | None,
    write_timeout: float | None = None,
) -> serial.Serial:
    """An open port of `usable` name; raises one of OPENING_ERRORS. `parity` is none, even or odd, `flow` none,
    rts-cts or xon-xoff, times are in seconds. May wait for a network adapter, so call it in a thread."""
    import serial

    # One process at a time owns a port of this computer.
    only = {"exclusive": True} if name.startswith("/dev/") else {}
    return serial.serial_for_url(
        name,
        baudrate=baud,
        bytesize=bits,
        parity=_PARITIES[parity],
        stopbits=stop_bits,
        rtscts=flow == "rts-cts",
        xonxoff=flow == "xon-xoff",
        timeout=timeout,
        write_timeout=write_timeout,
        **only,
    )


def obstacle(error: Exception) -> tuple[Obstacle, str]:
    """What kept a port from opening, and the system's own words for it."""
    number = getattr(error, "errno", None) or (error.args[0] if isinstance(error, termios.error) else None)
    words = os.strerror(number) if isinstance(number, int) else reason(error)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO):
        return Obstacle.MISSING, words
    if number in (errno.EACCES, errno.EPERM):
        return Obstacle.FORBIDDEN, words
    if number in (errno.EAGAIN, errno.EBUSY) or "lock port" in str(error):
        return Obstacle.BUSY, Obstacle.BUSY.value
    return Obstacle.OTHER, words


def reason(error: Exception) -> str:
    """An error of the library's in one line."""
    return " ".join(str(error).split())[:200] or type(error).__name__
