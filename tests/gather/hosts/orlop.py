"""A simulated data logger on a pty: real bytes, commands and replies as the model has them.

    python tests/gather/hosts/orlop.py        # prints the port and answers until it is ended

`faults` change what it does; they may be changed while it runs.
"""

from __future__ import annotations

import os
import threading
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from typing import Self

LOOP = 12.00
"""Milliamperes that the loop plug of the bench drives through the input next to a closed relay."""
REST = 0.00


class Orlop:
    """`with Orlop() as logger: ...`; `logger.port` is a terminal with the console behind it."""

    def __init__(self, serial: str = "OR-10423") -> None:
        self.serial = serial
        self.relays = dict.fromkeys(range(1, 5), False)
        self.lamp = False
        self.behind = 0.0
        """Seconds by which its clock is behind."""
        self.stuck: set[int] = set()
        """Relays that say OK and stay open."""
        self.offset: dict[int, float] = {}
        """Milliamperes that an input reads too much."""
        self.answer: Callable[[str], bytes | None] = lambda command: None
        """What it sends instead of its own reply, ending and all; None for its own."""
        self.delay = 0.0
        """Seconds between two characters of a reply."""
        self.heard: list[str] = []
        self._ended = threading.Event()

    def reply(self, command: str) -> str:
        match command.replace(",", " ").split():
            case ["ID?"]:
                return f"MARROWBY,ORLOP,{self.serial},2.7"
            case ["TIME?"]:
                return f"{datetime.fromtimestamp(time.time() - self.behind, UTC):%Y-%m-%d %H:%M:%S}"
            case ["RLY", n, ("0" | "1") as to] if n in "1234":
                self.relays[int(n)] = to == "1" and int(n) not in self.stuck
                return "OK"
            case ["IN?", n] if n in "12345678":
                # The plug ties relay 1 to inputs 1 and 5, and so on.
                closed = self.relays[(int(n) - 1) % 4 + 1]
                return f"{(LOOP if closed else REST) + self.offset.get(int(n), 0.0):.2f}"
            case ["LMP", ("0" | "1") as to]:
                self.lamp = to == "1"
                return "OK"
        return "ERR 2 unknown command"

    def __enter__(self) -> Self:
        self._master, slave = os.openpty()
        tty.setraw(self._master)
        tty.setraw(slave)
        self._slave = slave
        self.port = os.ttyname(slave)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def unplug(self) -> None:
        if not self._ended.is_set():
            self._ended.set()
            os.close(self._slave)
            with suppress(OSError):
                os.write(self._slave_wake(), b"\n")
            self._thread.join(5)
            with suppress(OSError):
                os.close(self._master)

    def _slave_wake(self) -> int:
        # The thread waits for the bench to send: whoever ends it sends something.
        return os.open(self.port, os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)

    def send(self, data: bytes) -> None:
        """Send something that nobody asked for."""
        os.write(self._master, data)

    def _serve(self) -> None:
        line = bytearray()
        while not self._ended.is_set():
            try:
                got = os.read(self._master, 1)
            except OSError:
                return
            if got not in (b"\r", b"\n"):
                line += got
                continue
            command, line = line.decode("ascii", "replace").strip(), bytearray()
            if command and not self._ended.is_set():
                self.heard.append(command)
                self._answer(command)

    def _answer(self, command: str) -> None:
        own = f"{self.reply(command)}\r\n".encode()
        other = self.answer(command)
        for character in own if other is None else other:
            if self.delay:
                time.sleep(self.delay)
            if self._ended.is_set():
                return
            with suppress(OSError):
                os.write(self._master, bytes([character]))


if __name__ == "__main__":
    with Orlop() as logger:
        print(logger.port, flush=True)
        with suppress(KeyboardInterrupt):
            threading.Event().wait()
