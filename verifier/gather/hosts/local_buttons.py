"""This computer's own keys and buttons, as its event devices report them."""

from __future__ import annotations

import errno
import fcntl
import os
import re
import select
import struct
import subprocess
from collections import deque
from collections.abc import AsyncIterator, Sequence
from contextlib import AbstractAsyncContextManager, ExitStack, asynccontextmanager, suppress

import anyio

from verifier.errors import Absent, BenchFault
from verifier.gather.virtual_time import hold
from verifier.services import Clocks, KeyEvent, KeyWatch

# struct input_event and the ioctls in include/uapi/linux/input.h, codes in input-event-codes.h.
_EVENT = struct.Struct("@LLHHi")
_EVIOCGRAB = 0x40044590
_EVIOCSCLOCKID = 0x400445A0
_KEY_BYTES = 96
_EVIOCGKEY = 2 << 30 | _KEY_BYTES << 16 | ord("E") << 8 | 0x18
_EV_SYN, _EV_KEY, _SYN_DROPPED = 0, 1, 3

_INHIBIT = (
    "systemd-inhibit", "--what=handle-power-key", "--mode=block", "--who=verifier",
    "--why=The power button is being tested", "sh", "-c", "echo held; exec cat",
)  # fmt: skip
"""Says so once the lock is taken, and gives it back when its standard input closes."""
INHIBIT_LIMIT = 3.0
"""Seconds that taking the lock may last."""


class LocalButtons:
    def __init__(self, clocks: Clocks) -> None:
        self._clocks = clocks

    def watch(self, devices: Sequence[str], codes: frozenset[int]) -> AbstractAsyncContextManager[KeyWatch]:
        return _watching(self._clocks, devices, codes)


@asynccontextmanager
async def _watching(clocks: Clocks, devices: Sequence[str], codes: frozenset[int]) -> AsyncIterator[KeyWatch]:
    with ExitStack() as stack:
        names: dict[int, str] = {}
        ready = stack.enter_context(select.epoll())
        for device in devices:
            fd = _opened(device)
            stack.callback(os.close, fd)
            names[fd] = device
            ready.register(fd, select.EPOLLIN)
        down = any(_is_down(fd, codes) for fd in names)
        # Ours alone: nothing else on this computer hears the keys while the devices are open.
        alone = [_allowed(fd, _EVIOCGRAB, 1) for fd in names]
        async with _inhibited() as lock:
            held_back = ["grabbed"] if all(alone) else []
            held_back += ["systemd-inhibit"] if lock else []
            yield _Watch(clocks, names, ready, codes, " and ".join(held_back), down=down)


def _opened(device: str) -> int:
    if not re.fullmatch(r"event\d{1,6}", device):
        raise Absent(f"{device[:50]!r} is no event device")
    try:
        fd = os.open(f"/dev/input/{device}", os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
            raise Absent(f"there is no event device {device}") from None
        raise
    # Stamps that no change of the system time moves; where the driver refuses, those of the system time serve.
    _allowed(fd, _EVIOCSCLOCKID, struct.pack("i", 1))
    return fd


def _allowed(fd: int, request: int, argument: int | bytes) -> bool:
    try:
        fcntl.ioctl(fd, request, argument)
    except OSError:
        return False
    return True


def _is_down(fd: int, codes: frozenset[int]) -> bool:
    try:
        state = fcntl.ioctl(fd, _EVIOCGKEY, bytes(_KEY_BYTES))
    except OSError:
        return False
    return any(state[code // 8] >> code % 8 & 1 for code in codes if code // 8 < len(state))


@asynccontextmanager
async def _inhibited() -> AsyncIterator[bool]:
    """Hold the lock that keeps the session from acting on the power key; gives whether it was to be had."""
    try:
        process = await anyio.open_process(
            _INHIBIT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
    except OSError:
        yield False
        return
    try:
        said = b""
        assert process.stdout is not None  # noqa: S101 - asked for above
        with hold(rate=1.0), anyio.move_on_after(INHIBIT_LIMIT), suppress(anyio.EndOfStream):
            said = await process.stdout.receive(16)
        yield said.startswith(b"held")
    finally:
        with anyio.CancelScope(shield=True):
            with suppress(ProcessLookupError):
                process.terminate()
            await process.aclose()


class _Watch:
    def __init__(
        self,
        clocks: Clocks,
        names: dict[int, str],
        ready: select.epoll,
        codes: frozenset[int],
        held_back: str,
        *,
        down: bool,
    ) -> None:
        self._clocks, self._names, self._ready, self._codes = clocks, names, ready, codes
        self._waiting: deque[KeyEvent] = deque()
        self.held_back, self.down = held_back, down

    async def next(self, timeout: float) -> KeyEvent | None:
        with hold(rate=1.0), anyio.move_on_after(max(0.0, timeout)):
            while True:
                self._collect()
                if self._waiting:
                    return self._waiting.popleft()
                await anyio.wait_readable(self._ready.fileno())
        return None

    def _collect(self) -> None:
        for fd, _ in self._ready.poll(0):
            try:
                data = os.read(fd, 64 * _EVENT.size)
            except BlockingIOError:
                continue
            except OSError as error:
                if error.errno != errno.ENODEV:
                    raise
                data = b""
            if not data:
                raise Absent(f"the event device {self._names[fd]} went away")
            seen = self._clocks.loop()
            if len(data) % _EVENT.size:
                raise BenchFault(f"the event device {self._names[fd]} gave part of an event")
            for seconds, micros, kind, code, value in _EVENT.iter_unpack(data):
                if kind == _EV_SYN and code == _SYN_DROPPED:
                    raise BenchFault(f"the kernel dropped events of {self._names[fd]}")
                if kind == _EV_KEY and code in self._codes and value in (0, 1, 2):
                    at = seconds + micros / 1e6
                    self._waiting.append(
                        KeyEvent(device=self._names[fd], code=code, value=value, at=at, seen=seen)
                    )
