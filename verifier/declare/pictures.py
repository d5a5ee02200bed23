"""The pictures of a suite: where they stand, and which ones they were."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from verifier.declare.suite import Suite
from verifier.errors import InputError

LARGEST = 1 << 20
"""Bytes of a picture at the most."""


def pictures_of(suite: Suite, folder: Path | None) -> dict[str, Any]:
    """Folder and SHA-256 digests of the pictures that a suite's prompts show; nothing where it shows none.

    InputError for a picture that cannot be read or is larger than a megabyte.
    """
    names = sorted({check.picture for check in suite.checks if check.picture})
    if folder is None or not names:
        return {}
    # `resume` may be typed in another folder.
    folder = folder.absolute()
    return {"picture_folder": str(folder), "pictures": {name: _digest(folder / name) for name in names}}


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except OSError as error:
        raise InputError(
            f"the picture cannot be read: {error.strerror}", where=str(path), to_do="Put it beside the suite."
        ) from None
    if len(data) > LARGEST:
        raise InputError("the picture is larger than a megabyte", where=str(path), to_do="Draw it simpler.")
    return hashlib.sha256(data).hexdigest()
