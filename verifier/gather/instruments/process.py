"""The instrument process as the engine sees it: started, asked, ended."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from itertools import count
from pathlib import Path
from typing import Any

import anyio

from verifier.errors import BenchFault, InputError
from verifier.gather.workers.wire import WireError, decode, encode

LOCK = ".lock"
START_LIMIT = 30.0
"""Seconds that the process may take to start."""
END_LIMIT = 25.0
"""Seconds that it may take to make everything safe and go; the watchdog does what is left."""
LOCK_LIMIT = 70.0
"""Seconds to wait for the process of a run that was just killed, and its watchdog, to make safe and go."""
GONE = "the instrument process ended in the middle"
_START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from verifier.gather.instruments.server import main; main(*map(int, sys.argv[2:5]))"
)


class InstrumentProcess:
    """Several orders may be under way at once, one an instrument."""

    def __init__(self, lock: int, instruments: Mapping[str, Mapping[str, Any]]) -> None:
        """`lock` is what `take_lock` gave; it is handed on to the process. OSError when that cannot be started."""
        self._lock_file = lock
        ours, theirs = socket.socketpair()
        try:
            with theirs:
                self._process = subprocess.Popen(
                    [
                        sys.executable, "-I", "-c", _START, json.dumps(sys.path),
                        str(theirs.fileno()), str(os.getpid()), str(self._lock_file),
                    ],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    pass_fds=[theirs.fileno(), self._lock_file],
                    start_new_session=True,
                )  # fmt: skip
            os.ftruncate(self._lock_file, 0)
            os.pwrite(self._lock_file, f"{self._process.pid}\n".encode(), 0)
        except BaseException:
            ours.close()
            raise
        finally:
            # The lock lives on in the process and its watchdog: it is free when nobody is left.
            os.close(self._lock_file)
        ours.setblocking(False)  # noqa: FBT003 - its only parameter
        self._socket, self._buffer = ours, bytearray()
        self._numbers = count(1)
        self._waiting: dict[int, tuple[anyio.Event, dict[str, Any]]] = {}
        self.watchdog: int | None = None
        self._first = {"instruments": {name: dict(data) for name, data in instruments.items()}}
        self.gone = False
        self.ended = anyio.Event()
        """Set once it has gone, for whoever waits for something else meanwhile."""

    @property
    def pid(self) -> int:
        return self._process.pid

    async def start(self) -> None:
        """BenchFault when it does not come up."""
        ready: dict[str, Any] = {}
        with anyio.move_on_after(START_LIMIT):
            await self._send(self._first)
            ready = await self._receive() or {}
        if not ready.get("ready"):
            raise BenchFault("the instrument process did not start")
        self.watchdog = ready.get("watchdog")

    async def read(self) -> None:
        """Hand out the answers as they come, until the process has gone; for a task of its own."""
        try:
            while (message := await self._receive()) is not None:
                if (waiting := self._waiting.pop(message.get("id") or 0, None)) is not None:
                    waiting[1].update(message)
                    waiting[0].set()
        except WireError:
            self._process.kill()
        finally:
            self.gone = True
            self.ended.set()
            for event, _ in self._waiting.values():
                event.set()

    async def ask(self, order: Mapping[str, Any], limit: float) -> dict[str, Any]:
        """The answer to one order. BenchFault when the process has gone or does not answer within `limit` s."""
        number, event, answer = next(self._numbers), anyio.Event(), dict[str, Any]()
        self._waiting[number] = (event, answer)
        try:
            if not self.gone:
                await self._send({**order, "id": number})
                with anyio.move_on_after(limit) as scope:
                    await event.wait()
                if scope.cancelled_caught:
                    # A process that hangs cannot be talked into anything; its watchdog makes safe.
                    self._process.kill()
                    await self.ended.wait()
                    raise BenchFault(f"the instrument process did not answer within {limit:g} s, and was ended")
        finally:
            self._waiting.pop(number, None)
        if not answer:
            raise BenchFault(GONE)
        return answer

    async def end(self) -> bool:
        """Let it make safe and go; True when it went by itself. Shield it."""
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_WR)
        until = time.monotonic() + END_LIMIT
        while (code := self._process.poll()) is None and time.monotonic() < until:
            await anyio.sleep(0.01)
        if code is None:
            self._process.kill()
            while self._process.poll() is None:
                await anyio.sleep(0.01)
        anyio.notify_closing(self._socket)
        self._socket.close()
        return code == 0

    async def _send(self, message: Mapping[str, Any]) -> None:
        data = memoryview(encode(dict(message)))
        while data:
            try:
                data = data[self._socket.send(data) :]
            except BlockingIOError:
                await anyio.wait_writable(self._socket)
            except OSError:
                self.gone = True
                return

    async def _receive(self) -> dict[str, Any] | None:
        """The next message; None when there is no more."""
        while (end := self._buffer.find(b"\n")) < 0:
            try:
                data = self._socket.recv(65_536)
            except BlockingIOError:
                with suppress(anyio.ClosedResourceError):
                    await anyio.wait_readable(self._socket)
                continue
            except OSError:
                data = b""
            if not data:
                return None
            self._buffer += data
        line = bytes(self._buffer[:end])
        del self._buffer[: end + 1]
        return decode(line)


async def take_lock(folder: Path, *, patient: bool = False) -> int:
    """The lock of the station's instruments. InputError when another run keeps it.

    `patient` waits for a run that is at work too: for whoever only wants to see that all is safe.
    """
    handle = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    until = time.monotonic() + LOCK_LIMIT
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            owner = owner_of(folder)
            # An owner whose engine lives is at work; one without is making safe, and will be gone soon.
            if time.monotonic() >= until or (not patient and owner is not None and _at_work(owner)):
                os.close(handle)
                raise InputError(
                    f"another run has the instruments of this station (process {owner or 'unknown'})",
                    where=str(folder),
                    to_do="Wait for it, or end it; `verifier station safe` makes safe at once.",
                ) from None
            await anyio.sleep(0.05)
        else:
            return handle


def owner_of(folder: Path) -> int | None:
    """The process that owns the instruments, if it still lives."""
    try:
        pid = int((folder / LOCK).read_text().strip())
        command = Path(f"/proc/{pid}/cmdline").read_bytes()
    except (OSError, ValueError):
        return None
    return pid if b"verifier.gather.instruments.server" in command else None


def _at_work(owner: int) -> bool:
    try:
        return alive(int(Path(f"/proc/{owner}/cmdline").read_bytes().split(b"\0")[-3]))
    except (OSError, ValueError, IndexError):
        return False


def alive(pid: int) -> bool:
    """Whether a process runs; a zombie does not."""
    try:
        # pid (name) state ...
        return Path(f"/proc/{pid}/stat").read_bytes().rpartition(b") ")[2][:1] not in (b"Z", b"X")
    except OSError:
        return False


def ask_to_end(owner: int) -> None:
    """Make it break off, make safe and go."""
    with suppress(OSError):
        os.kill(owner, signal.SIGTERM)
