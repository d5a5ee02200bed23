"""The station's own test media, mounted on this computer: written to and read back."""

from __future__ import annotations

import errno
import hashlib
import mmap
import os
import random
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from verifier.errors import NotPossible
from verifier.services import Clocks, RoundTrip

MARKER = "verifier-test-medium"
"""The file that makes a medium one that may be written: its first line is this name again."""
DATA = "verifier-test-data"
"""The file that is written, and removed again."""
PIECE = 1 << 20
"""Bytes that are written and read at a time; a multiple of every sector size."""
MARKER_LIMIT = 4096
_NO_FOLLOW = os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK


class LocalMedia:
    """Blocks the event loop; that is meant, as with files: probes run in a worker with a deadline."""

    def __init__(self, clocks: Clocks) -> None:
        self._clocks = clocks

    async def round_trip(self, mount: str, device: tuple[int, int], size: int, seed: int) -> RoundTrip:
        with _folder(mount, device) as folder:
            marker = _marker(folder, device)
            room = os.fstatvfs(folder)
            if room.f_bavail * room.f_frsize < size + PIECE:
                raise NotPossible(f"the test medium has no room for {size} bytes")
            with suppress(FileNotFoundError):
                os.unlink(DATA, dir_fd=folder)  # left by a run that was killed
            try:
                return _round_trip(folder, marker, size, seed, self._clocks)
            except OSError as error:
                if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOSPC):
                    raise
                return RoundTrip(
                    medium=marker, fault=f"{error.strerror} ({errno.errorcode.get(error.errno or 0)})"
                )
            finally:
                with suppress(OSError):
                    os.unlink(DATA, dir_fd=folder)
                    os.fsync(folder)


@contextmanager
def _folder(mount: str, device: tuple[int, int]) -> Iterator[int]:
    folder = os.open(mount, os.O_RDONLY | os.O_DIRECTORY | _NO_FOLLOW)
    try:
        _on(folder, device, mount)
        yield folder
    finally:
        os.close(folder)


def _on(fd: int, device: tuple[int, int], what: str) -> None:
    """Never write to another medium than the one at the port, whatever was mounted since."""
    number = os.fstat(fd).st_dev
    if (os.major(number), os.minor(number)) != device:
        raise NotPossible(f"{what[:200]} is not on the medium at this port any more")


def _marker(folder: int, device: tuple[int, int]) -> str:
    """What the marker says of the medium."""
    without = NotPossible(
        f"the medium carries no file {MARKER}: it is not the station's test medium, and is not written to",
        to_do=f"Put a file {MARKER} on your own test medium, with that name as its first line and a name of yours "
        "for the medium as its second.",
    )
    try:
        fd = os.open(MARKER, os.O_RDONLY | _NO_FOLLOW, dir_fd=folder)
    except OSError:
        raise without from None
    try:
        _on(fd, device, MARKER)
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise without
        lines = os.read(fd, MARKER_LIMIT).decode("utf-8", "replace").splitlines()
    finally:
        os.close(fd)
    if not lines or lines[0].strip() != MARKER:
        raise without
    name = lines[1].strip() if len(lines) > 1 else ""
    return "".join(c for c in name if c.isprintable())[:100]


def _round_trip(folder: int, marker: str, size: int, seed: int, clocks: Clocks) -> RoundTrip:
    written, read = hashlib.sha256(), hashlib.sha256()
    chance = random.Random(seed)  # noqa: S311 - a test pattern, no secret
    # Made before the clock starts: what is timed is the medium.
    pieces = [chance.randbytes(min(PIECE, size - at)) for at in range(0, size, PIECE)]
    fd = os.open(DATA, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _NO_FOLLOW, 0o600, dir_fd=folder)
    try:
        began = clocks.loop()
        for piece in pieces:
            written.update(piece)
            rest = memoryview(piece)
            while rest:
                rest = rest[os.write(fd, rest) :]
        os.fsync(fd)
        took_to_write = clocks.loop() - began
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(fd)
    os.fsync(folder)
    fd, direct = _reopened(folder)
    try:
        began, got = clocks.loop(), 0
        with mmap.mmap(-1, PIECE) as room:  # aligned, as reading past the cache needs it
            while got < size and (count := os.readv(fd, [room])):
                read.update(room[:count])
                got += count
        took_to_read = clocks.loop() - began
    finally:
        os.close(fd)
    return RoundTrip(
        medium=marker,
        identical=read.digest() == written.digest(),
        sha256=written.hexdigest(),
        write_seconds=took_to_write,
        read_seconds=took_to_read,
        past_cache=direct,
    )


def _reopened(folder: int) -> tuple[int, bool]:
    """The written file, past the page cache where the file system allows it."""
    try:
        return os.open(DATA, os.O_RDONLY | os.O_DIRECT | _NO_FOLLOW, dir_fd=folder), True
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
    return os.open(DATA, os.O_RDONLY | _NO_FOLLOW, dir_fd=folder), False
