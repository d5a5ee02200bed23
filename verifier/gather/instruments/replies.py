"""What instruments answer, read strictly: numbers, identities, error queues.

1. A number is NR1, NR2 or NR3 (IEEE 488.2, 8.7), of at most 40 characters.
2. ±9.9E37 means beyond the range and 9.91E37 means not a number (SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5).
   Neither is ever a value; nor is anything else of that size.
3. A reply fits its template as a whole, or it is no reply.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache

SCPI_IDN = "{any},{model},{serial},{any}"
"""*IDN? has four fields: manufacturer, model, serial number, firmware (IEEE 488.2, 10.14; from memory)."""
LONGEST = 512
"""Bytes of a reply at the most; *IDN? may have 72 characters, a reading far fewer."""
ERRORS_LIMIT = 32
"""Entries of an error queue that are read before it counts as one that never empties."""

_NUMBER = r"[+-]?(?:[0-9]{1,20}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})(?:[Ee][+-]?[0-9]{1,3})?"
_TEXT = r"[ -+\--~]"
"""What stands for {any}, {model} and {serial}: printable, and no comma, which parts fields."""
_TEXTS = {"{serial}": "(?P<serial>%s)", "{model}": "(?P<model>%s)", "{any}": "%s"}
_HUGE = 1e37


class BadReply(ValueError):
    """A reply that is none, in words."""


@lru_cache(maxsize=256)
def _pattern(template: str) -> re.Pattern[str]:
    """Matches in time that grows with the length of the reply: a text ends where what follows it first stands."""
    parts = re.split(r"(\{[a-z]+\})", template.strip())
    made = []
    for part, after in zip(parts, [*parts[1:], ""], strict=True):
        if part == "{value}":
            made.append(f"(?P<value>{_NUMBER})")
        elif part in _TEXTS:
            made.append(_TEXTS[part] % (f"(?:(?!{re.escape(after)}){_TEXT})*+" if after else f"{_TEXT}*?"))
        else:
            made.append(re.escape(part))
    return re.compile("".join(made))


def template_problem(template: str) -> str:
    """What is wrong with the template of a reply; empty when nothing is."""
    places = re.findall(r"\{[a-z]+\}", template)
    for place in places:
        if place != "{any}" and places.count(place) > 1:
            return f"it holds {place} more than once"
    if re.search(r"\{(any|serial|model)\}\{(any|serial|model)\}", template):
        return "two texts stand side by side, and nothing says where one ends"
    return ""


def text_of(raw: bytes) -> str:
    """The reply as text. BadReply for what no instrument sends."""
    if len(raw) > LONGEST:
        raise BadReply(f"a reply longer than {LONGEST} characters")
    if any(not (0x20 <= byte <= 0x7E or byte == 0x09) for byte in raw):
        raise BadReply(f"garbage instead of text ({shown(raw)})")
    return raw.decode("ascii").strip()


def shown(raw: bytes) -> str:
    """A few bytes in a way that can be printed."""
    return ascii(raw[:40])[1:] + ("…" if len(raw) > 40 else "")


def fields_of(template: str, reply: str) -> dict[str, str]:
    """The parts of a reply that its template names. BadReply when it does not fit."""
    found = _pattern(template).fullmatch(reply)
    if found is None:
        raise BadReply(f"{shown(reply.encode())} where {template!r} belongs")
    return {name: text.strip() for name, text in found.groupdict().items() if text is not None}


def value_of(template: str, reply: str, overload: tuple[str, ...] = ()) -> float:
    """The number in a reply. BadReply for overload, not-a-number and anything that does not fit."""
    if reply in overload:
        raise BadReply(f"{reply!r}: beyond its range")
    return number(fields_of(template, reply)["value"])


def number(text: str) -> float:
    """A number of IEEE 488.2, 8.7, which is a value. BadReply for the numbers that stand for none."""
    if len(text) > 40 or not re.fullmatch(_NUMBER, text):
        raise BadReply(f"{shown(text.encode())} is no number")
    value = float(text)
    if math.isclose(value, 9.91e37, rel_tol=1e-4):
        raise BadReply("9.91E37, which means not a number")
    if math.isclose(abs(value), 9.9e37, rel_tol=5e-4):
        raise BadReply(f"{'-' if value < 0 else ''}9.9E37, which means beyond its range")
    if abs(value) >= _HUGE:
        raise BadReply(f"{text}, which no quantity reaches")
    return value


def error_of(reply: str) -> str:
    """One entry of the error queue in words; none for 0,"No error" (SCPI-99 vol. 2, 21.8; from memory)."""
    found = re.fullmatch(r'([+-]?[0-9]{1,6})(?:\s*,\s*"?([^"]{0,255})"?)?', reply)
    if found is None:
        raise BadReply(f"{shown(reply.encode())} is no entry of an error queue")
    if int(found[1]) == 0:
        return ""
    return f"{int(found[1])} {found[2] or ''}".strip()
