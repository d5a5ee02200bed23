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
from verifier.gather.ports import FORMS, OPENING_ERRORS, TO_DO, Obstacle, obstacle, open_port, reason, usable
from verifier.services import Clocks

if TYPE_CHECKING:
    import serial

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
        if not usable(name):
            raise NotPossible(f"{name[:100]!r} is no serial line: it is {FORMS}")

        def opened() -> serial.Serial:
            return open_port(
                name,
                baud=settings.baud,
                parity=settings.parity,
                stop_bits=settings.stop_bits,
                flow=settings.flow,
                timeout=_WAIT,
                write_timeout=2.0,
            )

        try:
            port = await anyio.to_thread.run_sync(opened, abandon_on_cancel=True)
        except OPENING_ERRORS as error:
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
        return BenchFault(f"the serial line {self._name} was lost: {reason(error)}")


def _refused(name: str, error: Exception) -> Absent | NotPossible:
    why, words = obstacle(error)
    if why is Obstacle.MISSING:
        return Absent(f"there is no serial line {name}")
    return NotPossible(f"the serial line {name} cannot be opened: {words}", to_do=TO_DO[why])
