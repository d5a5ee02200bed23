"""The far ends that a station is paired with: one small file each, readable by its owner alone."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from pathlib import Path

from verifier.errors import InputError, NotPossible
from verifier.gather.peer import key_files

NAME = re.compile(r"[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?")


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedWith:
    """How a far end is reached, and how it and we know each other."""

    name: str
    address: str
    port: int
    key: str
    """The far end's public key: lower-case hexadecimal text."""
    own: bytes = field(repr=False)
    """This station's private key, the same for all far ends."""


def valid_name(name: str) -> str:
    """The name itself; ValueError when it is none."""
    if not NAME.fullmatch(name):
        raise ValueError(
            f"{name[:40]!r} is no name of a far end: lower-case letters, digits and hyphens, such as bench"
        )
    return name


def folder() -> Path:
    """Where the station keeps them; NotPossible outside a run of a station."""
    station = os.environ.get("VERIFIER_STATION")
    if not station:
        raise NotPossible("which far ends this station is paired with is known in a run of a station only")
    return Path(station) / "peers"


def keep(at: Path, pairing: PairedWith) -> Path:
    """Write the pairing; an earlier one of that name is replaced. InputError where it cannot be kept."""
    path = at / f"{valid_name(pairing.name)}.json"
    try:
        key_files.write(path, {"address": pairing.address, "port": pairing.port, "key": pairing.key})
    except OSError as error:
        raise InputError(
            f"the pairing cannot be kept: {error.strerror or error}",
            where=str(path),
            to_do="Make the folder writable, with free space, and pair again.",
        ) from None
    return path


def paired(at: Path, name: str) -> PairedWith:
    """The far end of that name. NotPossible where there is none; InputError for a file that cannot be used."""
    path = at / f"{valid_name(name)}.json"
    try:
        found = key_files.read(path)
        address, port, key = (found[name] for name in ("address", "port", "key"))
        if not (isinstance(address, str) and isinstance(port, int) and isinstance(key, str)):
            raise ValueError("of another kind")
        if len(bytes.fromhex(key)) != key_files.OCTETS:
            raise ValueError("no key")
    except FileNotFoundError:
        raise NotPossible(
            f"this station is not paired with a far end {name!r}",
            to_do=f"On the bench computer start `verifier peer --listen ADDRESS`; "
            f"here, `verifier peer pair ADDRESS --name {name}`.",
        ) from None
    except (OSError, ValueError, KeyError) as error:
        raise InputError(
            f"cannot be used: {type(error).__name__}", where=str(path), to_do="Pair again; the file is replaced."
        ) from None
    return PairedWith(name=name, address=address, port=port, key=key, own=key_files.own_key(at))


def names(at: Path) -> list[str]:
    return sorted(path.stem for path in at.glob("*.json") if NAME.fullmatch(path.stem)) if at.is_dir() else []
