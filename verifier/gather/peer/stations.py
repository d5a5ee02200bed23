"""The stations that a far end lets in: one small file each, named after the station's public key."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from verifier.errors import InputError
from verifier.gather.peer import key_files
from verifier.gather.peer.protocol import Refused, unhex

MOST = 64
"""Stations that one far end keeps."""
LONGEST_NAME = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    key: str
    """The station's public key: lower-case hexadecimal text."""
    name: str
    """What the station called itself when it was paired."""
    since: str
    """The day it was paired on, by this computer's clock."""
    problem: str = ""
    """Why it is not let in, where its file cannot be used."""

    @property
    def short_key(self) -> str:
        return self.key[:16]


class Stations:
    """Read anew at each question, so that what is revoked is revoked at once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def own_key(self) -> bytes:
        return key_files.own_key(self._folder)

    def known(self, key: object) -> Known:
        """The station of that public key; Refused, for our side, where it may not be let in."""
        text = unhex(key, key_files.OCTETS).hex()
        if not (path := self._file(text)).exists():
            raise Refused("not paired")
        found = self._read(path)
        if found.problem:
            raise Refused(f"{path} cannot be used: {found.problem}")
        return found

    def keep(self, key: object, name: object) -> None:
        """Let that station in from now on; Refused where that is not possible."""
        text = unhex(key, key_files.OCTETS).hex()
        if len(self.all()) >= MOST and not self._file(text).exists():
            raise Refused(f"{MOST} stations are known already: revoke some")
        try:
            key_files.write(self._file(text), {"name": valid_name(name), "since": time.strftime("%Y-%m-%d")})
        except OSError as error:
            raise Refused(f"the pairing cannot be kept: {error.strerror or error}") from None

    def all(self) -> list[Known]:
        return [self._read(path) for path in sorted(self._folder.glob("*.json"))]

    def revoke(self, word: str) -> list[Known]:
        """Forget each station of that name, or of that key or its beginning as it is shown; those it were."""
        gone = [one for one in self.all() if word in (one.name, one.key, one.short_key)]
        for one in gone:
            self._file(one.key).unlink(missing_ok=True)
        return gone

    def _file(self, key: str) -> Path:
        return self._folder / f"{key}.json"

    def _read(self, path: Path) -> Known:
        try:
            found = key_files.read(path)
            return Known(key=path.stem, name=valid_name(found["name"]), since=str(found["since"])[:10])
        except InputError as error:
            problem = error.what
        except OSError as error:
            problem = error.strerror or str(error)
        except (ValueError, KeyError, Refused):
            problem = "it is damaged"
        return Known(key=path.stem, name="", since="", problem=problem)


def valid_name(name: object) -> str:
    """One short line of plain characters; Refused when it is something else."""
    if isinstance(name, str) and 0 < len(name) <= LONGEST_NAME and name.isascii() and name.isprintable():
        return name
    raise Refused("a station gives no name, or none that can be shown")
