"""One worker process as its parent sees it: started, spoken to, ended with everything it started."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

import anyio

from verifier.gather.virtual_time import hold
from verifier.gather.workers.descendants import children, ending
from verifier.gather.workers.wire import LINE_LIMIT, WireError, decode, encode

GUARD_LIMIT = 4.0
"""Seconds that the guard may take to end its tree; it gives up by itself after two."""
TAIL_LIMIT = 2000
"""Bytes kept of what a worker wrote to its standard error."""
_START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from verifier.gather.workers.worker import main; main(int(sys.argv[2]), int(sys.argv[3]))"
)
"""Isolated (-I), so that neither environment nor working folder choose what is imported, and then with the
parent's own path, so that both find the same plug-ins."""


class Ended(Exception):
    """The worker closed its side."""


class WorkerProcess:
    """Start it from the thread that runs the event loop: the worker dies when that thread does."""

    def __init__(self) -> None:
        ours, theirs = socket.socketpair()
        with theirs:
            try:
                self._process = subprocess.Popen(
                    [
                        sys.executable,
                        "-I",
                        "-c",
                        _START,
                        json.dumps(sys.path),
                        str(theirs.fileno()),
                        str(os.getpid()),
                    ],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.STDOUT,
                    pass_fds=[theirs.fileno()],
                    start_new_session=True,
                )
            except BaseException:
                ours.close()
                raise
        ours.setblocking(False)  # noqa: FBT003 - its only parameter
        self._socket = ours
        assert self._process.stdout is not None  # noqa: S101 - asked for above
        self._words = self._process.stdout
        os.set_blocking(self._words.fileno(), False)
        self._tail = b""
        self._buffer = bytearray()
        self._scanned = 0
        self._closed = False
        self.ready = False
        self.received = 0

    @property
    def pid(self) -> int:
        return self._process.pid

    async def send(self, message: Mapping[str, Any]) -> None:
        data = memoryview(encode(dict(message)))
        while data:
            try:
                data = data[self._socket.send(data) :]
            except BlockingIOError:
                await anyio.wait_writable(self._socket)
            except OSError:
                raise Ended from None

    async def receive(self) -> dict[str, Any]:
        """The next message. Ended when there is no more; WireError when it is none."""
        while (end := self._buffer.find(b"\n", self._scanned)) < 0:
            self._scanned = len(self._buffer)
            if self._scanned > LINE_LIMIT:
                raise WireError("a message without end")
            try:
                data = self._socket.recv(65_536)
            except BlockingIOError:
                await anyio.wait_readable(self._socket)
                continue
            except OSError:
                data = b""
            if not data:
                raise Ended
            self._buffer += data
            self.received += len(data)
        line = bytes(self._buffer[:end])
        del self._buffer[: end + 1]
        self._scanned = 0
        return decode(line)

    async def drain(self) -> None:
        """Keep taking what the worker prints, so that it never waits for us; for a task of its own."""
        with suppress(anyio.ClosedResourceError, OSError, ValueError):
            while self._read_words():
                await anyio.wait_readable(self._words)

    def last_words(self) -> str:
        """The last line that the worker printed, short and printable."""
        with suppress(OSError, ValueError):
            self._read_words()
        lines = self._tail.decode("utf-8", "replace").strip().splitlines()
        return "".join(c if c.isprintable() else " " for c in lines[-1])[:300] if lines else ""

    def _read_words(self) -> bool:
        """Read what is there; False when nothing will come any more."""
        for _ in range(64):  # a flood must not hold the event loop
            try:
                piece = os.read(self._words.fileno(), 65_536)
            except BlockingIOError:
                return True
            if not piece:
                return False
            self._tail = (self._tail + piece)[-TAIL_LIMIT:]
        return True

    def left_something(self) -> bool:
        """True where the probe has left a process running."""
        workers = children(self.pid)
        return len(workers) != 1 or any(children(pid) for pid in workers)

    async def wait(self, seconds: float) -> int | None:
        """The exit code once the worker has gone; None when it has not within `seconds`."""
        for _ in range(max(1, int(seconds / 0.005))):
            if (code := self._process.poll()) is not None:
                return code
            with hold(rate=1.0):
                await anyio.sleep(0.005)
        return self._process.poll()

    async def end(self) -> None:
        """End the worker and everything it started. Shield it: half an ending is none."""
        if self._closed:
            return
        self._closed = True
        # The guard does it, so that it is done even if this process is killed meanwhile.
        self._process.terminate()
        if await self.wait(GUARD_LIMIT) is None:
            for _ in ending(self.pid):
                with hold(rate=1.0):
                    await anyio.sleep(0.005)
            self._process.kill()
            await self.wait(GUARD_LIMIT)
        for end in (self._socket, self._words):
            anyio.notify_closing(end)
            end.close()
