"""Where the data that ships with the project lives: suites and report templates.

The only module that knows. In a wheel both stand inside the package under `_shipped`; in a checkout
(and an editable install) they stand beside it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

_PACKAGE = Path(__file__).resolve().parent


def folder(kind: Literal["suites", "reports"]) -> Path:
    """The folder of one kind of shipped data. FileNotFoundError when the installation lacks it."""
    for candidate in (_PACKAGE / "_shipped" / kind, _PACKAGE.parent / kind):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"this installation of verifier has no {kind} folder: install it again")
