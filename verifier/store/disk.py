"""Writing a file so that it is either the old one or the whole new one, whatever happens."""

from __future__ import annotations

import os
from pathlib import Path

from verifier.errors import InputError


def write_aside(path: Path, content: bytes) -> None:
    """Write beside, flush, then swap; the folder is flushed too. InputError when that cannot be done."""
    aside = path.with_name(f".{path.name}.new")
    try:
        fd = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
        try:
            view = memoryview(content)
            while view:
                view = view[os.write(fd, view) :]
            os.fsync(fd)
        finally:
            os.close(fd)
        aside.replace(path)
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        raise InputError(
            f"cannot be written: {error.strerror}",
            where=str(path),
            to_do="Free some space or choose another place; nothing that was journalled is lost.",
        ) from error
