"""Collects what the rules of lint find, in the places of the file, without telling the same mistake twice."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from verifier.declare.flaws import MOST_SHOWN, Flaw, KeyPath
from verifier.declare.shape import Salvage
from verifier.declare.spelling import hint

_MOST_HINTS = 300


class Enough(Exception):
    """So much is wrong that looking further helps nobody."""


@dataclass(slots=True)
class Notes:
    """What is wrong so far. Paths are those of the mended data."""

    found: Salvage[Any]
    flaws: list[Flaw] = field(default_factory=list)
    patterns: set[str] = field(default_factory=set)
    _hints: dict[tuple[str, str], str] = field(default_factory=dict)

    def error(
        self, path: KeyPath, what: str, to_do: str = "", *, at_key: bool = False, concerns: Iterable[KeyPath] = ()
    ) -> None:
        """Something that refuses the file, unless one of the keys it `concerns` was already told to be wrong."""
        self._note(path, what, to_do, "error", at_key, concerns)

    def warning(
        self, path: KeyPath, what: str, to_do: str = "", *, at_key: bool = False, concerns: Iterable[KeyPath] = ()
    ) -> None:
        """Something that is allowed and most likely not meant."""
        self._note(path, what, to_do, "warning", at_key, concerns)

    def hint(self, word: str, known: Iterable[str] | Mapping[str, object], what: str = "known") -> str:
        """The nearest valid spelling. Comparing is slow: a hostile file gets no more than a few hundred."""
        key = (word, what)
        if key not in self._hints:
            self._hints[key] = hint(word, known, what=what) if len(self._hints) < _MOST_HINTS else ""
        return self._hints[key]

    def _note(
        self,
        path: KeyPath,
        what: str,
        to_do: str,
        severity: Literal["error", "warning"],
        at_key: bool,
        concerns: Iterable[KeyPath],
    ) -> None:
        origin = self.found.origin(path)
        if self.found.is_told(origin) or any(self.found.is_doubtful(self.found.origin(c)) for c in concerns):
            return
        if len(self.flaws) >= MOST_SHOWN:
            raise Enough
        self.flaws.append(Flaw(path=origin, what=what, to_do=to_do, severity=severity, at_key=at_key))
