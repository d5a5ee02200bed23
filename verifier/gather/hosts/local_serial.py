"""The serial lines of this computer, through pyserial: calls that wait stand in threads and wait shortly."""

from __future__ import annotations

import errno
import termios
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

import anyio
import anyio.to_thread

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.lines import LineSettings, Pair
from verifier.services import Clocks

if TYPE_CHECKING:
    import serial

_PARITIES = {"none": "N", "even": "E", "odd": "O"}
_SCHEMES = ("/dev/", "socket://", "loop://")
_WAIT = 0.1
"""Seconds that a thread waits for bytes before it looks whether it is still wanted."""
_INPUTS: dict[Pair, tuple[str, str]] = {
    "rts_cts": ("rts", "cts"),
    "dtr_dsr": ("dtr", "dsr"),
    "dtr_dcd": ("dtr", "cd"),
    "dtr_ri": ("dtr", "ri"),
}
T = TypeVar("T")


class LocalSerialLines:
    def __init__(self, clocks: Clocks) -> None:
        self._clocks = clocks

    async def open(self, name: str, settings: LineSettings) -> LocalLine:
        import serial

        if not name.startswith(_SCHEMES) or ".." in name:
            raise NotPossible(f"{name[:100]!r} is no serial line: it is /dev/..., socket://HOST:PORT or loop://")

        def opened() -> serial.Serial:
            only = {"exclusive": True} if name.startswith("/dev/") else {}
            return serial.serial_for_url(
                name,
                baudrate=settings.baud,
                parity=_PARITIES[settings.parity],
                stopbits=settings.stop_bits,
                rtscts=settings.flow == "rts-cts",
                timeout=_WAIT,
                write_timeout=2.0,
                **only,
            )

        try:
            port = await anyio.to_thread.run_sync(opened, abandon_on_cancel=True)
        except (OSError, ValueError, termios.error) as error:
            raise _refused(name, error) from None
        return LocalLine(port, name, self._clocks)


class LocalLine:
    def __init__(self, port: serial.Serial, name: str, clocks: Clocks) -> None:
        self._port, self._name, self._clocks = port, name, clocks

    async def write(self, data: bytes) -> None:
        await self._call(lambda: self._port.write(data))

    async def read(self, limit: int = 4096) -> bytes:
        def some() -> bytes:
            first: bytes = self._port.read(1)
            if not first:
                return b""
            rest: bytes = self._port.read(min(limit - 1, self._port.in_waiting)) if limit > 1 else b""
            return first + rest

        while True:
            if data := await self._call(some):
                return data

    async def modem_pairs(self, settle: float) -> dict[Pair, bool]:
        found: dict[Pair, bool] = {}
        try:
            before = self._port.rts, self._port.dtr
            for pair, (output, input_) in _INPUTS.items():
                follows = []
                for state in (True, False, True):
                    setattr(self._port, output, state)
                    await self._clocks.sleep(settle)
                    follows.append(getattr(self._port, input_) is state)
                found[pair] = all(follows)
            self._port.rts, self._port.dtr = before
        except OSError as error:
            if error.errno in (errno.ENOTTY, errno.EINVAL):
                raise NotPossible(f"the adapter of {self._name} has no modem lines") from None
            raise self._lost(error) from None
        return found

    async def aclose(self) -> None:
        self._port.close()

    async def _call(self, function: Callable[[], T]) -> T:
        import serial

        try:
            return await anyio.to_thread.run_sync(function)
        except serial.SerialTimeoutException:
            raise BenchFault(f"the serial line {self._name} takes nothing: is its flow control right?") from None
        except (OSError, TypeError, termios.error) as error:  # TypeError: closed under a waiting read
            raise self._lost(error) from None

    def _lost(self, error: Exception) -> BenchFault:
        return BenchFault(f"the serial line {self._name} was lost: {' '.join(str(error).split())[:200]}")


def _refused(name: str, error: Exception) -> Absent | NotPossible:
    number = getattr(error, "errno", None) or (error.args[0] if isinstance(error, termios.error) else None)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO):
        return Absent(f"there is no serial line {name}")
    if number in (errno.EACCES, errno.EPERM):
        return NotPossible(f"this account may not use {name}: on Debian it needs the group dialout")
    if number in (errno.EAGAIN, errno.EBUSY) or "lock port" in str(error):
        return NotPossible(f"another program is using {name}")
    return NotPossible(f"the serial line {name} cannot be opened so: {' '.join(str(error).split())[:200]}")
