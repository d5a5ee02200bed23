"""A serial line at the far end that sends back whatever comes in."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

from verifier.errors import InputError

if TYPE_CHECKING:
    import serial

BAUD = 115_200
CHUNK = 4096


class LineEcho:
    """`start` it, and `close` it. What comes in while sending back is slower is kept by the line's own buffers."""

    def __init__(self, port: str, baud: int, opened: serial.Serial) -> None:
        self.port, self.baud, self._serial = port, baud, opened
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)

    @classmethod
    def open(cls, text: str) -> LineEcho:
        """From PORT or PORT,BAUD. InputError where it cannot be opened."""
        import serial

        port, comma, number = text.rpartition(",")
        if not comma:
            port, number = text, str(BAUD)
        if not (number.isascii() and number.isdigit() and 50 <= int(number) <= 4_000_000):
            raise InputError(
                f"{text[:100]!r} has no baud rate that exists", to_do="Write it as /dev/ttyUSB0,115200."
            )
        if not port.startswith(("/dev/", "socket://")):
            raise InputError(f"{port[:100]!r} is no serial line", to_do="Give /dev/ttyUSB0 or socket://HOST:PORT.")
        try:
            opened = serial.serial_for_url(port, baudrate=int(number), timeout=0.2, write_timeout=1.0)
        except (OSError, ValueError) as error:
            raise InputError(
                f"the serial line cannot be opened: {' '.join(str(error).split())[:200]}",
                where=port,
                to_do="Is the adapter plugged in, and may this account use it (group dialout)?",
            ) from None
        return cls(port, int(number), opened)

    def start(self, say: Callable[[str], None]) -> None:
        """`say` is told when the line has gone."""
        self._say = say
        self._thread.start()

    def close(self) -> None:
        self._closed.set()
        if self._thread.is_alive():
            self._thread.join(2.0)
        with suppress(Exception):
            self._serial.close()

    def _work(self) -> None:
        import serial

        while not self._closed.is_set():
            try:
                data = self._serial.read(1)
                data += self._serial.read(min(CHUNK, self._serial.in_waiting))
                if data:
                    self._serial.write(data)
            except serial.SerialTimeoutException:
                continue  # the other side does not take it: what it does not take is lost, as on any line
            except (OSError, TypeError):  # pulled out, or closed by us
                if not self._closed.is_set():
                    self._say(f"The serial line {self.port} has gone: nothing is sent back there any more.")
                return
