"""One serial line: opened, written to, read from until a terminator, under deadlines; any failure in words."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from verifier.gather.instruments.replies import LONGEST, shown
from verifier.gather.ports import FORMS, OPENING_ERRORS, TO_DO, Obstacle, obstacle, open_port, usable

SLICE = 0.05
"""Seconds between two looks at whether whoever asked has gone."""
ENDINGS = {"LF": b"\n", "CR": b"\r", "CR LF": b"\r\n"}


class LineFault(Exception):
    """The line or what is at its end failed; the text says how."""


class Interrupted(Exception):
    """Whoever asked has gone, or everything is to be made safe."""


class OpenLine:
    """An open port. `settings` are the words of `description.Line` as plain data.

    `stop` is asked between waits; when it says True, Interrupted is raised.
    """

    def __init__(self, port: str, settings: dict[str, Any], stop: Callable[[], bool] = lambda: False) -> None:
        self._sends, self._ends = ENDINGS[settings["sends"]], ENDINGS[settings["ends"]]
        self._stop = stop
        self._timeout: float = settings["timeout"]
        self._buffer = bytearray()
        if not usable(port):
            raise LineFault(f"{port!r} is no port that may be opened: it is {FORMS}")
        try:
            self._serial = open_port(
                port,
                baud=settings["baud"],
                bits=settings["bits"],
                parity=settings["parity"],
                stop_bits=settings["stop"],
                flow=settings["flow"],
                timeout=SLICE,
                write_timeout=self._timeout,
            )
        except OPENING_ERRORS as error:
            why, words = obstacle(error)
            more = f" ({words})" if why is Obstacle.OTHER else ""
            raise LineFault(f"{why.value}{more}: {TO_DO[why]}") from None

    def close(self) -> None:
        with suppress(Exception):
            self._serial.close()

    def send(self, message: str) -> None:
        self.send_raw(message.encode("ascii") + self._sends)

    def send_raw(self, data: bytes) -> None:
        self._look()
        try:
            self._serial.write(data)
        except Exception as error:  # SerialException, OSError, and on a torn line TypeError or termios.error
            raise _broke(error, " while sending") from None

    def end_message(self) -> None:
        """Complete whatever half a message a killed process left on the line."""
        self.send_raw(self._sends)

    def receive(self, timeout: float | None = None) -> bytes:
        """One reply without its terminator. LineFault for silence, half a reply, a flood and a broken line."""
        limit = self._timeout if timeout is None else timeout
        until = time.monotonic() + limit
        while (end := self._buffer.find(self._ends)) < 0:
            if len(self._buffer) > LONGEST:
                raise LineFault(f"a flood: more than {LONGEST} characters without an end of line")
            if time.monotonic() >= until:
                if self._buffer:
                    got = shown(bytes(self._buffer))
                    raise LineFault(f"only part of a reply within {limit:g} s: {got}")
                raise LineFault(f"no reply within {limit:g} s")
            self._fill()
        reply = bytes(self._buffer[:end])
        del self._buffer[: end + len(self._ends)]
        return reply

    def drain(self, quiet: float = 0.1, longest: float = 1.0) -> int:
        """Throw away what comes until nothing has come for `quiet` seconds; how many bytes that was."""
        gone, until = len(self._buffer), time.monotonic() + longest
        self._buffer.clear()
        last = time.monotonic()
        while time.monotonic() < until and time.monotonic() - last < quiet:
            before = len(self._buffer)
            self._fill()
            if len(self._buffer) > before:
                last = time.monotonic()
                gone += len(self._buffer)
                self._buffer.clear()
        return gone

    def drop_waiting(self) -> None:
        """Forget what has come in already, without waiting for more."""
        self._buffer.clear()
        try:
            self._serial.reset_input_buffer()
        except Exception as error:
            raise _broke(error) from None

    def wait(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            self._look()
            time.sleep(min(SLICE, left))

    def _fill(self) -> None:
        self._look()
        try:
            self._buffer += self._serial.read(max(1, min(4096, self._serial.in_waiting)))
        except Exception as error:
            raise _broke(error) from None

    def _look(self) -> None:
        if self._stop():
            raise Interrupted


def _broke(error: Exception, when: str = "") -> LineFault:
    _, words = obstacle(error)
    return LineFault(f"the line broke{when} ({words}): is the adapter plugged in?")
