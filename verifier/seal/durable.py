"""Writing so that a power cut leaves either the old or the new: write aside, flush, swap, flush the folder.

A flush that failed is never tried again, because the kernel reports success the second time although
the data is gone; the error stops the sealing, and the next start completes it.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from verifier.errors import SealError


@contextmanager
def told(what: str, where: Path, to_do: str = "") -> Iterator[None]:
    """Turns an operating system's error into words: `what` could not be done, `where`, and why."""
    try:
        yield
    except OSError as error:
        raise SealError(
            f"{what}: {error.strerror or error}",
            where=str(error.filename or where),
            to_do=to_do or "Make the folder writable, with free space, and start again; nothing is lost.",
        ) from error


def sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """A folder for its owner alone, with those above it, each entered durably in the one above."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(mode=0o700, exist_ok=True)
    sync_folder(folder.parent)


def write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(handle, view) :]


def write_durably(target: Path, data: bytes, *, mode: int = 0o644) -> None:
    """Replace `target` as a whole. One writer at a time (the caller holds a lock); raises OSError."""
    aside = target.with_name(f".{target.name}.new")
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW
    handle = os.open(aside, flags, mode)
    try:
        write_all(handle, data)
        os.fsync(handle)
    finally:
        os.close(handle)
    os.replace(aside, target)  # noqa: PTH105 - the same calls as around it
    sync_folder(target.parent)


def append_durably(handle: int, data: bytes) -> None:
    write_all(handle, data)
    os.fsync(handle)


def read_bounded(path: Path, limit: int) -> bytes:
    """At most `limit` + 1 bytes of a regular file. A pipe or device is refused without waiting on it."""
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY)
    try:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode):
            raise OSError(0, "it is no ordinary file", str(path))
        pieces = []
        left = limit + 1
        # A little more than the file is said to hold, so that one read mostly does; the next finds its end.
        while left and (piece := os.read(handle, min(left, status.st_size + 1, 1 << 20))):
            pieces.append(piece)
            left -= len(piece)
        return b"".join(pieces)
    finally:
        os.close(handle)
