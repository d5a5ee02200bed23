"""The nearest valid spelling of a wrong word, and words from outside made safe to print."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

_LONGEST_WORD = 80
_MOST_LISTED = 8

USUAL_WORDS = {
    "min": "at_least",
    "max": "at_most",
    "minimum": "at_least",
    "maximum": "at_most",
    "lower": "at_least",
    "upper": "at_most",
    "question": "say",
    "ask": "say",
    "instruction": "say",
    "image": "picture",
    "requires": "after",
    "depends": "after",
    "depends_on": "after",
    "name": "title",
    "resources": "needs",
    "choices": "options",
    "allowed": "one_of",
    "regex": "matches",
    "pattern": "matches",
    "std": "u",
    "sigma": "u",
}
"""What authors write by habit, and what it is called here."""


def shown(value: object, longest: int = 60) -> str:
    """A value from outside in quotes: control and direction-changing characters escaped, long text cut."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and value.bit_length() > 128:
        return "a very long number"
    if not isinstance(value, str):
        return plain(str(value)[: longest + 1], longest)
    return f'"{plain(value[: longest + 1], longest)}"'


def plain(text: str, longest: int = 1000) -> str:
    """Text without characters that a terminal would act on."""
    cut = text[:longest] + ("…" if len(text) > longest else "")
    return "".join(c if c.isprintable() else _escaped(c) for c in cut)


def _escaped(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def nearest(word: str, known: Iterable[str], *, cutoff: float = 0.6) -> str | None:
    """The known word that `word` most likely stands for, or None."""
    words = sorted(set(known))
    word = word[:_LONGEST_WORD]
    usual = USUAL_WORDS.get(word.lower())
    if usual in words:
        return usual
    folded = {w.lower().replace("_", "-")[:_LONGEST_WORD]: w for w in reversed(words)}
    close = difflib.get_close_matches(word.lower().replace("_", "-"), folded, n=1, cutoff=cutoff)
    if close:
        return folded[close[0]]
    begun = [w for w in words if w.lower().startswith(word.lower())] if len(word) >= 3 else []
    return begun[0] if len(begun) == 1 else None


def hint(word: str, known: Iterable[str], *, what: str = "known") -> str:
    """A sentence that names the nearest valid spelling, or else what there is."""
    words = sorted(set(known))
    near = nearest(word, words)
    if near is not None:
        return f"Did you mean {shown(near)}?"
    if not words:
        return f"There is nothing {what} here." if what != "known" else ""
    listed = ", ".join(plain(w, 64) for w in words[:_MOST_LISTED])
    more = f" and {len(words) - _MOST_LISTED} more" if len(words) > _MOST_LISTED else ""
    return f"{what[0].upper()}{what[1:]}: {listed}{more}."
