"""This computer as a host.

Reads block the event loop; that is meant. Probes run in a worker process whose deadline its parent
keeps, so a file that never answers takes down that worker and nothing else.
"""

from __future__ import annotations

import errno
import os
import signal
import stat
import subprocess
from contextlib import suppress
from itertools import islice

import anyio
from anyio.abc import Process

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.hosts.local_load import LocalLoad
from verifier.gather.lines import SerialLines
from verifier.gather.radio import Radio
from verifier.gather.sound import Sound
from verifier.gather.virtual_time import hold
from verifier.services import Buttons, Clocks, CommandResult, Input, Media, Net, TimeReferences, UnitClock

NAMES_LIMIT = 10_000
"""Names in one folder, at the most."""
OUTPUT_LIMIT = 1 << 20
"""Bytes that a command may print, at the most."""


def read_regular(name: str, limit: int, dir_fd: int | None = None, *, follow: bool = True) -> bytes:
    """The bytes of a regular file; the OSErrors of the system, and EFBIG beyond `limit` bytes.

    A longer file is refused rather than cut: half a number is another number.
    """
    # Looked at before it is opened: opening a device can already do something.
    _refuse_irregular(os.stat(name, dir_fd=dir_fd, follow_symlinks=follow), name)
    flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY | (0 if follow else os.O_NOFOLLOW)
    fd = os.open(name, flags, dir_fd=dir_fd)
    try:
        _refuse_irregular(os.fstat(fd), name)
        data = bytearray()
        while len(data) <= limit:
            piece = os.read(fd, min(limit + 1 - len(data), 65_536))
            if not piece:
                return bytes(data)
            data += piece
    finally:
        os.close(fd)
    raise OSError(errno.EFBIG, f"longer than {limit} bytes", name)


def _refuse_irregular(status: os.stat_result, name: str) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), name)
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, "not a regular file", name)


def bounded_names(folder: str | int, path: str) -> list[str]:
    """Sorted names in a folder (a path or a descriptor); EFBIG when they are too many."""
    with os.scandir(folder) as entries:
        names = [entry.name for entry in islice(entries, NAMES_LIMIT + 1)]
    if len(names) > NAMES_LIMIT:
        raise OSError(errno.EFBIG, f"more than {NAMES_LIMIT} names", path)
    return sorted(names)


class LocalFiles:
    async def read(self, path: str, limit: int = 65_536) -> bytes:
        return read_regular(path, limit)

    async def names(self, path: str) -> list[str]:
        return bounded_names(path, path)

    async def real_path(self, path: str) -> str:
        return os.path.realpath(path, strict=True)

    async def exists(self, path: str) -> bool:
        return os.path.exists(path)  # noqa: PTH110


class LocalCommands:
    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        """Run without a shell. BenchFault when it does not end in time or prints without end."""
        try:
            process = await anyio.open_process(
                argv,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
                env={**os.environ, "LC_ALL": "C.UTF-8"},
            )
        except FileNotFoundError:
            raise Absent(f"there is no command {argv[0]} on this host") from None
        except OSError as error:
            raise NotPossible(f"{argv[0]} cannot be started: {error.strerror}") from None
        try:
            output = bytearray()
            with hold(rate=1.0), anyio.move_on_after(timeout) as scope:
                assert process.stdout is not None  # noqa: S101 - asked for above
                async for piece in process.stdout:
                    output += piece
                    if len(output) > OUTPUT_LIMIT:
                        raise BenchFault(f"{argv[0]} printed more than {OUTPUT_LIMIT} bytes")
                await process.wait()
            if scope.cancelled_caught:
                raise BenchFault(f"{argv[0]} did not end within {timeout:g} s")
        finally:
            await _end(process)
        return CommandResult(
            argv=argv, exit=process.returncode or 0, stdout=bytes(output).decode("utf-8", "replace")
        )


async def _end(process: Process) -> None:
    with anyio.CancelScope(shield=True):
        with suppress(OSError):  # it may have ended by itself
            os.killpg(process.pid, signal.SIGKILL)
        await process.aclose()


class LocalHost:
    address = "local"
    services = frozenset(
        {
            "files",
            "commands",
            "net",
            "clock",
            "buttons",
            "input",
            "load",
            "media",
            "radio",
            "reference",
            "serial",
            "sound",
        }
    )

    def __init__(self, clocks: Clocks) -> None:
        self.clocks = clocks
        self.files = LocalFiles()
        self.commands = LocalCommands()
        self.load = LocalLoad()

    @property
    def net(self) -> Net:
        from verifier.gather.hosts.local_net import LocalNet

        return LocalNet(self.clocks)

    @property
    def reference(self) -> TimeReferences:
        from verifier.gather.hosts.bench_time import BenchTime

        return BenchTime(self.clocks)

    @property
    def media(self) -> Media:
        from verifier.gather.hosts.local_media import LocalMedia

        return LocalMedia(self.clocks)

    @property
    def buttons(self) -> Buttons:
        from verifier.gather.hosts.local_buttons import LocalButtons

        return LocalButtons(self.clocks)

    @property
    def input(self) -> Input:
        from verifier.gather.hosts.local_input import LocalInput

        return LocalInput(self.clocks)

    @property
    def radio(self) -> Radio:
        from verifier.gather.hosts.local_radio import LocalRadio

        return LocalRadio(self.clocks)

    @property
    def sound(self) -> Sound:
        from verifier.gather.hosts.local_sound import LocalSound

        return LocalSound(self.clocks)

    @property
    def clock(self) -> UnitClock:
        from verifier.gather.hosts.local_clock import LocalClock

        return LocalClock(self.clocks)

    @property
    def serial_lines(self) -> SerialLines:
        from verifier.gather.hosts.local_serial import LocalSerialLines

        return LocalSerialLines(self.clocks)
