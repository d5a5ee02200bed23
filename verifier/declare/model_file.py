"""A TOML file as a model, with everything that is wrong in it at once: repair orders and answers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from verifier.declare.flaws import MOST_SHOWN, TOO_MUCH, to_problems
from verifier.declare.notes import Enough, Notes
from verifier.declare.shape import Salvage, adapter_of, salvage
from verifier.declare.toml_file import read_toml, shown_path
from verifier.errors import InputProblems

T = TypeVar("T")


def load_model(
    path: Path,
    model: type[T],
    *,
    dates: frozenset[str] = frozenset(),
    rules: Callable[[Notes, T], None] | None = None,
    prepare: Callable[[dict[str, Any]], dict[str, Any]] | None = None,
) -> T:
    """Read a file into `model`, a pydantic model or a standard dataclass.

    `dates` names keys that may hold a TOML date; `rules` tells what the model alone cannot know; `prepare`
    brings the file's data into the model's form without moving keys. Raises InputError where the file cannot
    be read, InputProblems with everything that is wrong in it. Warnings do not refuse it.
    """
    data, text, _ = read_toml(path)
    found: Salvage[T] = salvage(adapter_of(model), prepare(data) if prepare else data, dates=dates)
    notes = Notes(found, list(found.flaws))
    if found.model is not None and rules is not None and len(notes.flaws) < MOST_SHOWN:
        try:
            rules(notes, found.model)
        except Enough:
            notes.flaws.append(TOO_MUCH)
    if found.model is None or any(flaw.severity == "error" for flaw in notes.flaws):
        raise InputProblems(shown_path(path), to_problems(notes.flaws, text))
    return found.model
