"""What each side keeps of the other: small files that their owner alone may read, and one lasting key."""

from __future__ import annotations

import json
import os
import secrets
import stat
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from verifier.errors import InputError

KEY = "key"
"""The file of a side's own key in its folder."""
OCTETS = 32
"""Of an X25519 key (RFC 7748, 5)."""
_LONGEST = 4096


def own_key(folder: Path) -> bytes:
    """The lasting private key of this side, made where there is none. InputError when it cannot be used."""
    path = folder / KEY
    try:
        if not path.exists():
            with suppress(FileExistsError):  # another process made it meanwhile
                write(path, {"private": secrets.token_bytes(OCTETS).hex()}, only_new=True)
        key = bytes.fromhex(str(read(path)["private"]))
    except OSError as error:
        raise InputError(
            f"the key for far ends cannot be read or made: {error.strerror or error}",
            where=str(path),
            to_do="Check who owns the folder, and whether the disk is full.",
        ) from None
    except (ValueError, KeyError):
        key = b""
    if len(key) != OCTETS:
        raise InputError(
            "the key for far ends cannot be used",
            where=str(path),
            to_do="Move it away; a new one is made, and whoever is paired has to pair again.",
        )
    return key


def write(path: Path, content: Mapping[str, object], *, only_new: bool = False) -> None:
    """Write a file for its owner alone, whole or not at all. OSError; FileExistsError where it was to be new."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    aside = path.with_name(f".{secrets.token_hex(4)}.new")
    descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(json.dumps(content, indent=1) + "\n")
            file.flush()
            os.fsync(file.fileno())
        if only_new:
            os.link(aside, path)
        else:
            aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def read(path: Path) -> dict[str, object]:
    """What `write` wrote. OSError; ValueError for another content; InputError where others may read it."""
    with path.open("rb") as file:
        if stat.S_IMODE(os.fstat(file.fileno()).st_mode) & 0o077 or path.parent.stat().st_mode & 0o022:
            raise InputError(
                "others may read or replace this file, so it proves nothing",
                where=str(path),
                to_do=f"If nobody else had access run: chmod 700 {path.parent}; chmod 600 {path}. "
                "Else move the folder away and pair again.",
            )
        found = json.loads(file.read(_LONGEST))
    if not isinstance(found, dict):
        raise ValueError("no object")
    return found
