"""The form of a reply as a suite writes it, `MARROWBY,ORLOP,{serial},{firmware}`, and what a reply holds by it.

Between the braces stands the name of a reading; all else stands in the reply as it is written. A reading ends
where the text after it first comes again, so that matching takes one walk along the reply, whatever it holds.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

LONGEST = 200
_FIELD = re.compile(r"\{([^{}]*)\}")
_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
_NUMBER = re.compile(r"[+-]?([0-9]{1,20})(?:\.([0-9]{1,20}))?(?:[eE]([+-]?[0-9]{1,2}))?")


@dataclass(frozen=True, slots=True)
class ReplyForm:
    names: tuple[str, ...]
    texts: tuple[str, ...]
    """What stands before the first reading, between each two, and after the last."""

    @classmethod
    def parse(cls, form: str) -> ReplyForm:
        """ValueError says, in words for the suite author, what is wrong with a form."""
        if not (form.isascii() and form.isprintable() and 0 < len(form) <= LONGEST):
            raise ValueError(f"a reply is one line of at most {LONGEST} plain ASCII characters")
        names = tuple(_FIELD.findall(form))
        texts = tuple(_FIELD.split(form)[::2])
        if any("{" in text or "}" in text for text in texts):
            raise ValueError('a brace is not closed; a reading stands in the reply as "{name}"')
        for name in names:
            if not _NAME.fullmatch(name) or len(name) > 64:
                raise ValueError(f'"{{{name}}}": a reading is lower-case words joined by underscores')
        if len(set(names)) < len(names):
            raise ValueError("two readings of one reply have the same name")
        if any(text == "" for text in texts[1:-1]):
            raise ValueError("something must stand between two readings, so that it is known where the first ends")
        return cls(names, texts)

    def read(self, reply: str) -> dict[str, str] | None:
        """The readings in a reply, as text; None where it does not have this form."""
        first, last = self.texts[0], self.texts[-1]
        if not self.names:
            return {} if reply == first else None
        if not reply.startswith(first):
            return None
        rest, found = reply[len(first) :], {}
        for name, after in zip(self.names[:-1], self.texts[1:-1], strict=True):
            value, there, rest = rest.partition(after)
            if not there:
                return None
            found[name] = value
        if not rest.endswith(last):
            return None
        found[self.names[-1]] = rest[: len(rest) - len(last)]
        found = {name: value.strip() for name, value in found.items()}
        return found if all(found.values()) else None


def number_in(text: str) -> tuple[float | int, float] | None:
    """The value of a decimal number, and the size of its last digit; None for anything else."""
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None
    exponent = int(match[3] or 0) - len(match[2] or "")
    if exponent < 0 or match[2] is not None or match[3] is not None:
        return float(text), 10.0**exponent
    return int(text), 1.0
