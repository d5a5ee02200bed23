"""The station's folder: where keys, ledger, runs and store of one bench live."""

from __future__ import annotations

import os
import platform
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from verifier.errors import InputError

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,63}")


def default_folder() -> Path:
    """$VERIFIER_STATION, else $XDG_STATE_HOME/verifier, else ~/.local/state/verifier."""
    if given := os.environ.get("VERIFIER_STATION"):
        return Path(given)
    state = os.environ.get("XDG_STATE_HOME")
    # The base directory specification: a relative path there is to be ignored.
    base = Path(state) if state and Path(state).is_absolute() else Path.home() / ".local" / "state"
    return base / "verifier"


@dataclass(frozen=True, slots=True)
class Station:
    """One bench. Reading a station creates nothing; `create` makes its folders."""

    root: Path

    @classmethod
    def at(cls, path: Path | None = None) -> Station:
        """The station in that folder, or the usual one. InputError where the folder is another account's."""
        root = (path or default_folder()).absolute()
        try:
            kept_shut = root.is_dir() and not os.access(root, os.R_OK | os.X_OK)
        except OSError:  # a folder on the way to it
            kept_shut = True
        if kept_shut:
            raise InputError(
                "this station cannot be read: permission denied",
                where=str(root),
                to_do="Run this as the account that it belongs to, or name another folder with --station DIR.",
            )
        return cls(root)

    @property
    def settings_file(self) -> Path:
        return self.root / "station.toml"

    @property
    def keys(self) -> Path:
        return self.root / "keys"

    @property
    def trust_file(self) -> Path:
        return self.root / "trust.json"

    @property
    def ledger(self) -> Path:
        return self.root / "ledger"

    @property
    def runs(self) -> Path:
        return self.root / "runs"

    @property
    def instruments(self) -> Path:
        """Where the bench's instruments are described, one file each."""
        return self.root / "instruments"

    @property
    def store_file(self) -> Path:
        return self.root / "store.db"

    @property
    def exists(self) -> bool:
        return self.settings_file.is_file()

    @property
    def name(self) -> str:
        """The bench's name from station.toml; the computer's name before it has one."""
        if not self.exists:
            return default_name()
        try:
            settings = tomllib.loads(self.settings_file.read_text("utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise InputError(
                f"cannot be read: {error}",
                where=str(self.settings_file),
                to_do='It holds one line, name = "bench-1"; mend it or run `verifier station init`.',
            ) from error
        unknown = sorted(set(settings) - {"name"})
        name = settings.get("name")
        if unknown or not isinstance(name, str):
            what = f"unknown key {unknown[0]}" if unknown else "name is missing or no text"
            raise InputError(what, where=str(self.settings_file), to_do='It holds one line, name = "bench-1".')
        return valid_name(name)

    def create(self, name: str | None = None) -> bool:
        """Make the folders and station.toml where they are missing; True when the station is new."""
        try:
            for folder in (self.root, self.keys, self.ledger, self.runs):
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if self.exists and name is None:
                return False
            new = not self.exists
            text = f'name = "{valid_name(name or default_name())}"\n'
            aside = self.settings_file.with_suffix(".new")
            aside.write_text(text, "utf-8")
            aside.replace(self.settings_file)
        except OSError as error:
            raise InputError(
                f"the station's folder cannot be made: {error.strerror}",
                where=str(error.filename or self.root),
                to_do="Name a folder that you may write to with --station DIR or VERIFIER_STATION.",
            ) from error
        return new


def default_name() -> str:
    node = re.sub(r"[^A-Za-z0-9 ._-]", "-", platform.node())[:64].lstrip(" ._-")
    return node or "bench"


def valid_name(name: str) -> str:
    """The name itself; InputError when it is not one line of letters, digits, spaces, . _ or -."""
    if not _NAME.fullmatch(name):
        raise InputError(
            f"{name!r} cannot be a bench's name",
            to_do="Use up to 64 letters, digits, spaces, dots, hyphens or underscores, such as bench-1.",
        )
    return name
