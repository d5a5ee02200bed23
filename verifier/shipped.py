"""Where the data that ships with the project lives: suites and report templates.

The only module that knows. In a wheel both stand inside the package under `_shipped`; in a checkout
(and an editable install) they stand beside it.
"""

from __future__ import annotations

import difflib
import os
from pathlib import Path
from typing import Literal

from verifier.errors import InputError

_PACKAGE = Path(__file__).resolve().parent
SUITE_FILE = "suite.toml"
UNIT_FILE = "unit.toml"
"""The simulated unit beside a suite."""


def folder(kind: Literal["suites", "reports"]) -> Path:
    """The folder of one kind of shipped data. FileNotFoundError when the installation lacks it."""
    for candidate in (_PACKAGE / "_shipped" / kind, _PACKAGE.parent / kind):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"this installation of verifier has no {kind} folder: install it again")


def shipped_suites() -> dict[str, Path]:
    """The shipped suites by name, which is the model's; one folder each, sorted."""
    found = folder("suites").glob(f"*/{SUITE_FILE}")
    return {path.parent.name: path for path in sorted(found)}


def shipped_beside_suites(name: str) -> dict[str, Path]:
    """Other files called `name` in the folders of the shipped suites, by model."""
    return {path.parent.name: path for path in sorted(folder("suites").glob(f"*/{name}"))}


def find_suite(name_or_path: str | os.PathLike[str]) -> Path:
    """The suite file meant by a path to it, by the folder it stands in, or by a shipped suite's name.

    InputError names the nearest shipped suite and lists them all.
    """
    given = os.fspath(name_or_path)
    shipped = shipped_suites()
    # A name never means a folder that happens to be called so: `./this-computer` does.
    if given in shipped:
        return shipped[given]
    path = Path(given)
    try:
        if given and path.is_dir():
            return _in_folder(path)
        if given and (path.exists() or path.is_symlink()):
            return path
    except (OSError, ValueError):
        # A name that no file can have, such as one of a thousand letters, is no shipped suite's either.
        pass
    looks_like_path = os.sep in given or given.endswith(".toml")
    near = difflib.get_close_matches(given[:80], shipped, n=1)
    hint = f"Did you mean {near[0]}? " if near else ""
    raise InputError(
        f"there is no {'file' if looks_like_path else 'suite'} {_shown(given)}",
        to_do=f"{hint}Give the path of a suite file, or a shipped suite: {', '.join(shipped) or 'none'}.",
    )


def _in_folder(path: Path) -> Path:
    if (path / SUITE_FILE).exists():
        return path / SUITE_FILE
    raise InputError(
        f"the folder {_shown(str(path))} holds no {SUITE_FILE}", to_do="Give the path of the suite file itself."
    )


def _shown(text: str) -> str:
    safe = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text[:200])
    return f'"{safe}{"…" if len(text) > 200 else ""}"'
