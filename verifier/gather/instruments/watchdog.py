"""The watchdog process: makes safe when the instrument process dies, or outlives the engine without making safe.

It waits, and keeps in memory what it takes to make each instrument safe that may be on. It survives Ctrl-C and
the end of the terminal; it imports the line and the few lines of `safing`, and nothing else.
"""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import time
from contextlib import suppress
from typing import Any, NoReturn

from verifier.gather.instruments.safing import make_safe_at

PATIENCE = 3.0
"""Seconds that the instrument process has to make safe by itself after the engine has died."""
LONGEST = 60.0
"""Seconds for which the watchdog tries; a supply that is unplugged by then will not be reached."""


def main(descriptor: int, owner: int, engine: int) -> NoReturn:
    """`owner` is the instrument process, `engine` the one it works for."""
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN)
    import serial  # noqa: F401 - now, while there is time: later every millisecond counts

    os.set_inheritable(descriptor, False)  # noqa: FBT003 - its own name says it
    with socket.socket(fileno=descriptor) as connection:
        hot = _watch(connection, _handle(owner), _handle(engine))
    until = time.monotonic() + LONGEST
    while hot and time.monotonic() < until:
        hot = {name: programme for name, programme in hot.items() if make_safe_at(programme)}
        if hot:
            time.sleep(0.2)
    os._exit(0)


def _handle(pid: int) -> int | None:
    """A descriptor that becomes readable when the process ends; None when it has ended already."""
    with suppress(OSError):
        return os.pidfd_open(pid)
    return None


def _watch(connection: socket.socket, owner: int | None, engine: int | None) -> dict[str, dict[str, Any]]:
    """Wait until the instrument process has gone; what may be on then."""
    programmes: dict[str, dict[str, Any]] = {}
    hot: dict[str, dict[str, Any]] = {}
    buffer, waits = b"", int(LONGEST / PATIENCE)
    deadline: float | None = None if engine is not None else time.monotonic() + PATIENCE
    while True:
        watched: list[Any] = [connection, *([engine] if engine is not None and deadline is None else [])]
        left = None if deadline is None else max(0.0, deadline - time.monotonic())
        ready, _, _ = select.select(watched, [], [], left)
        if connection in ready:
            data = b""
            with suppress(OSError):
                data = connection.recv(65_536)
            if not data:
                return hot  # the instrument process has gone without a word
            buffer += data
            while b"\n" in buffer:
                line, _, buffer = buffer.partition(b"\n")
                message = json.loads(line)
                for programme in message.get("programmes", ()):
                    programmes[programme["name"]] = programme
                if (name := message.get("hot")) in programmes:
                    hot[name] = programmes[name]
                hot.pop(message.get("safe", ""), None)
                with suppress(OSError):
                    connection.sendall(b"\n")
                if message.get("dismissed"):
                    return {}
        elif engine in ready:
            deadline = time.monotonic() + PATIENCE
        elif deadline is not None and time.monotonic() >= deadline:
            if not hot and (waits := waits - 1) > 0:
                # Nothing is on, so there is no hurry; but it must not keep the ports for ever.
                deadline += PATIENCE
                continue
            # It hangs: only its end frees the ports.
            if owner is not None:
                with suppress(OSError):
                    signal.pidfd_send_signal(owner, signal.SIGKILL)
                select.select([owner], [], [], 2.0)
            return hot
