"""JSON as the seal needs it: one way to write a document, and no two ways to read one.

Python's reader takes the last of two equal members, `NaN`, and numbers that other readers round;
whoever gets two programs to read one signed document differently has altered it. All of that is
refused here, and what is written is always the same bytes: sorted keys, no spaces, UTF-8.
"""

from __future__ import annotations

import json
import re
from typing import Any

from verifier.errors import SealError

LARGEST_INTEGER = 2**53
"""Integers beyond it change in readers that hold every number as a binary64 (RFC 8259, 6; RFC 7493, 2.2)."""
DEEPEST = 64
LARGEST = 20_000_000
"""Bytes of one document; a longer one is refused before it is read."""

_SURROGATE = re.compile(rb"\\u[dD][89a-fA-F]")
_ALL_BUT_BRACKETS = bytes(set(range(256)) - set(b"[]{}"))
_TEXTS = re.compile(rb'"(?:[^"\\]|\\.)*"', re.DOTALL)
_NUMBERS = bytes(ord("0") if c in b"0123456789" else ord(":") if c in b":,[-" else ord(" ") for c in range(256))
"""Every digit as 0, what may stand before a number as a colon, and all else blank."""


class NotStrict(SealError):
    """The document is no JSON, or it is JSON that could be read in more than one way."""


def loads(data: bytes, *, what: str = "the document", largest: int = LARGEST) -> Any:
    """The value of a JSON document; raises `NotStrict`.

    Refused: more than `largest` bytes, other than UTF-8, a byte order mark, more than 64 levels, a member
    twice in one object, NaN and infinities, integers beyond 2^53, halves of surrogate pairs.
    """
    if len(data) > largest:
        raise NotStrict(f"{what} is {len(data)} bytes long; at most {largest} are read")
    _refuse_deep(data, what)
    try:
        value = _value(data)
        if _SURROGATE.search(data):
            json.dumps(value, ensure_ascii=False).encode("utf-8")
    except UnicodeError as error:
        raise NotStrict(f"{what} is not UTF-8 text") from error
    except RecursionError as error:
        raise NotStrict(f"{what} is nested too deeply") from error
    except ValueError as error:
        raise NotStrict(f"{what} is no strict JSON: {error}") from error
    return value


def dumps(value: Any, *, what: str = "the document") -> bytes:
    """The one way to write `value`: sorted keys, no spaces, UTF-8; raises `NotStrict` for what `loads` refuses.

    Numbers are written as the fast reader's own writer does (0.00003, not 3e-05), so that what is written here can
    be read by it.
    """
    from pydantic_core import from_json, to_json

    try:
        text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        return to_json(from_json(text.encode("utf-8")))
    except UnicodeEncodeError as error:
        raise NotStrict(
            f"{what} holds half of a surrogate pair, which no UTF-8 text can hold",
            to_do="Find the text with undecodable bytes in it and replace them where it is read.",
        ) from error
    except (ValueError, TypeError, RecursionError) as error:
        raise NotStrict(f"{what} cannot be written as JSON: {error}") from error


def _value(data: bytes) -> Any:
    """The value, with every rule but the one on depth enforced.

    A fast reader comes first, and counts only where writing its value again gives the same bytes: then no member
    was lost to another of its name, nothing was rounded and there is no white space. That is so for all that
    `dumps` writes; other layouts, and whatever holds a long integer, are left to the slow reader.
    """
    from pydantic_core import from_json, to_json

    try:
        value = from_json(data, allow_inf_nan=False)
        same = data[:1] == b"{" and to_json(value) == data
    except ValueError:
        same = False
    if same and b":0000000000000000" not in data.translate(_NUMBERS):  # 16 digits: perhaps beyond 2^53
        return value
    return _DECODER.decode(data.decode("utf-8"))


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) == len(pairs):
        return members
    seen: set[str] = set()
    twice = next(name for name, _ in pairs if name in seen or seen.add(name))  # type: ignore[func-returns-value]
    raise ValueError(f"the member {twice!r} stands twice in one object")


def _integer(digits: str) -> int:
    if len(digits) < 16 or (len(digits) < 18 and abs(int(digits)) <= LARGEST_INTEGER):
        return int(digits)
    raise ValueError(f"the integer {digits[:24]} is beyond 2^53")


def _float(digits: str) -> float:
    number = float(digits)
    if number - number == 0:  # quicker than math.isfinite; infinity less itself is no number
        return number
    raise ValueError(f"the number {digits[:24]} is beyond what a binary64 holds")


def _constant(name: str) -> Any:
    raise ValueError(f"{name} is no number")


_DECODER = json.JSONDecoder(
    object_pairs_hook=_unique, parse_constant=_constant, parse_int=_integer, parse_float=_float
)


def _refuse_deep(data: bytes, what: str) -> None:
    """At most 64 levels. Brackets alone mostly settle it; texts with brackets in them are taken out first.

    A document whose texts hold brackets in just the right places can seem flatter here than it is; the
    interpreter's own bound (RecursionError) then refuses it, at about 1,000 levels.
    """
    if _flat(data) or _flat(_TEXTS.sub(b"", data)):
        return
    raise NotStrict(f"{what} is nested more than {DEEPEST} levels deep, or its brackets do not match")


def _flat(data: bytes) -> bool:
    brackets = data.translate(None, _ALL_BUT_BRACKETS)
    for _ in range(DEEPEST):
        if not brackets:
            return True
        brackets = brackets.replace(b"[]", b"").replace(b"{}", b"")
    return not brackets
