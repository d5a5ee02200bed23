"""Writing a file so that it is either the old one or the whole new one, whatever happens."""

from __future__ import annotations

from pathlib import Path

from verifier.errors import InputError
from verifier.seal.durable import write_durably


def write_aside(path: Path, content: bytes) -> None:
    """Write beside, flush, then swap. InputError when that cannot be done."""
    try:
        write_durably(path, content)
    except OSError as error:
        raise InputError(
            f"cannot be written: {error.strerror}",
            where=str(path),
            to_do="Free some space or choose another place; nothing that was journalled is lost.",
        ) from error
