"""What is wrong in a file by key path, before its place in the text is looked up."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from verifier.declare.spelling import shown
from verifier.errors import Problem

KeyPath = tuple[str | int, ...]

MOST_SHOWN = 1000
"""Problems of one file that are told; a hostile file could hold a hundred thousand."""

_BARE = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Flaw:
    """One thing wrong. `at_key` points at the key rather than at its value."""

    path: KeyPath
    what: str
    to_do: str = ""
    severity: Literal["error", "warning"] = "error"
    at_key: bool = False


TOO_MUCH = Flaw(path=(), what="so much is wrong that the rest was not looked at")


def key_path_text(path: KeyPath) -> str:
    """A key path as people write it: checks[2].limits[0].unit."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            name = part if _BARE.fullmatch(part) and len(part) <= 64 else shown(part)
            text += f".{name}" if text else name
    return text


def to_problems(flaws: Iterable[Flaw], text: str) -> list[Problem]:
    """The flaws with line and column, in the order of the text; each is told once."""
    once = list(dict.fromkeys(flaws))
    if not once:
        return []
    # tree-sitter is loaded only here: a good file never pays for it.
    from verifier.declare.places import places

    index = places(text)
    problems = sorted(
        Problem(
            *index.of(flaw.path, value=not flaw.at_key),
            key_path_text(flaw.path),
            flaw.what,
            flaw.to_do,
            flaw.severity,
        )
        for flaw in once
    )
    if len(problems) <= MOST_SHOWN:
        return problems
    rest = f"{len(problems) - MOST_SHOWN} more problems are not shown"
    # An error among those left out must not turn into a file that passes with warnings.
    problems.sort(key=lambda problem: problem.severity)
    return [*sorted(problems[:MOST_SHOWN]), Problem(0, 0, "", rest, "Mend these first.", problems[0].severity)]
