"""The far ends that a station is paired with: one small file each, readable by its owner alone."""

from __future__ import annotations

import json
import os
import re
from dataclasses import dataclass
from pathlib import Path

from verifier.errors import InputError, NotPossible

NAME = re.compile(r"[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?")


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedWith:
    """How a far end is reached, and the key that both have."""

    name: str
    address: str
    port: int
    id: str
    """By which the far end knows us."""
    key: bytes


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
    """Write the pairing; an earlier one of that name is replaced. The file's path."""
    at.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = at / f"{valid_name(pairing.name)}.json"
    aside = path.with_suffix(".new")
    aside.unlink(missing_ok=True)
    text = json.dumps(
        {"address": pairing.address, "port": pairing.port, "id": pairing.id, "key": pairing.key.hex()}, indent=1
    )
    descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    with os.fdopen(descriptor, "w", encoding="ascii") as file:
        file.write(text + "\n")
    aside.replace(path)
    return path


def paired(at: Path, name: str) -> PairedWith:
    """The far end of that name. NotPossible where there is none; InputError for a file that cannot be used."""
    path = at / f"{valid_name(name)}.json"
    try:
        raw = path.read_bytes()[:4096]
    except FileNotFoundError:
        raise NotPossible(
            f"this station is not paired with a far end {name!r}",
            to_do=f"On the bench computer start `verifier peer --listen ADDRESS`; "
            f"here, `verifier peer pair ADDRESS --name {name}`.",
        ) from None
    try:
        found = json.loads(raw)
        return PairedWith(
            name=name,
            address=str(found["address"]),
            port=int(found["port"]),
            id=str(found["id"]),
            key=bytes.fromhex(found["key"]),
        )
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"cannot be used: {type(error).__name__}", where=str(path), to_do="Pair again; the file is replaced."
        ) from None


def names(at: Path) -> list[str]:
    return sorted(path.stem for path in at.glob("*.json") if NAME.fullmatch(path.stem)) if at.is_dir() else []
