"""A real serial line: a port of this computer, or one behind a network adapter (`socket://HOST:PORT`).

Opened by pyserial; bytes are moved when the event loop says that they can be, so that no thread waits.
"""

from __future__ import annotations

import errno
import os
import re
from typing import TYPE_CHECKING

import anyio
import anyio.to_thread

from verifier.declare.suite import Console
from verifier.errors import BenchFault, HostError, InputError
from verifier.gather.ports import OPENING_ERRORS, TO_DO, obstacle, open_port

if TYPE_CHECKING:
    import serial

FORMS = "/dev/ttyUSB0 (or another file below /dev), or socket://HOST:PORT"
_DEVICE = re.compile(r"/dev/[A-Za-z0-9][A-Za-z0-9_.:+@/-]{0,200}")
_SOCKET = re.compile(r"socket://(\[[0-9A-Fa-f:.]{2,50}\]|[A-Za-z0-9._-]{1,253}):\d{1,5}")


def check_port(port: str) -> None:
    """InputError for what is no name of a port that is opened here."""
    device = _DEVICE.fullmatch(port) and "/../" not in port
    if not device and not _SOCKET.fullmatch(port):
        raise InputError(f"{port[:200]!r} is no serial port", where="--at", to_do=f"Give {FORMS}.")


class SerialPort:
    """One open line. BenchFault when it is lost: an adapter pulled out, the far end gone."""

    def __init__(self, port: serial.SerialBase, name: str) -> None:
        self._port, self._name = port, name
        self._fd = port.fileno()

    @classmethod
    async def open(cls, name: str, settings: Console) -> SerialPort:
        """HostError where it cannot be opened, with what to do."""

        def opened() -> serial.Serial:
            return open_port(
                name,
                baud=settings.baud,
                bits=settings.bits,
                parity=settings.parity,
                stop_bits=settings.stop_bits,
                flow=settings.flow,
                timeout=0,
            )

        try:
            # A network adapter that does not answer takes seconds to say so.
            port = await anyio.to_thread.run_sync(opened, abandon_on_cancel=True)
        except OPENING_ERRORS as error:
            why, words = obstacle(error)
            raise HostError(f"the serial line cannot be opened: {words}", where=name, to_do=TO_DO[why]) from None
        return cls(port, name)

    async def write(self, data: bytes) -> None:
        while data:
            try:
                data = data[os.write(self._fd, data) :]
            except BlockingIOError:
                await anyio.wait_writable(self._fd)
            except OSError as error:
                raise self._lost(error) from None

    async def read(self, limit: int = 4096) -> bytes:
        """At least one byte; waits for it as long as the caller lets it."""
        data = self.waiting(limit)
        if not data:
            await anyio.wait_readable(self._fd)
            data = self.waiting(limit)
            if not data:  # ready, and nothing there: how an adapter reads that was pulled out
                raise self._lost(OSError(errno.ENODEV, "the adapter does not answer any more"))
        return data

    def waiting(self, limit: int = 4096) -> bytes:
        """What has come in already; nothing where nothing has."""
        try:
            data = os.read(self._fd, limit)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise self._lost(error) from None
        if not data and not self._is_quiet_terminal():
            raise self._lost(OSError(errno.EPIPE, "the far end closed it"))
        return data

    def _is_quiet_terminal(self) -> bool:
        # With VMIN = VTIME = 0, as pyserial sets it, an idle terminal reads as nothing, not as "would block".
        return os.isatty(self._fd)

    async def aclose(self) -> None:
        anyio.notify_closing(self._fd)
        self._port.close()

    def _lost(self, error: OSError) -> BenchFault:
        return BenchFault(f"the serial line {self._name} was lost: {error.strerror or error}")
