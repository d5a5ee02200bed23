"""Documents that were good, with something in them altered: what a hostile or a broken program would hand over."""

from __future__ import annotations

import copy
import json
import signal
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from hypothesis import strategies as st

HANGS_AFTER = 60
"""Seconds after which a document that is still being read is said to hang the reader; they take milliseconds."""

_TEXTS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ["", "\0", "\x1b[2J", "\u202e", "\ud800", "../../etc/passwd", "{{ 7 * 7 }}", "<script>", "9" * 400]
    ),
    st.sampled_from(["1e999", "2026-11-25T10:15:12.000Z", "2026-13-41", "pass", "resume", "identity", "a" * 64]),
)
_NUMBERS = st.one_of(
    st.integers(-3, 3),
    st.integers(),
    st.floats(),
    st.sampled_from([2**53, 2**53 + 1, -(2**63), 10**30, 1e308, -0.0]),
)
VALUES = st.recursive(
    st.one_of(_TEXTS, _NUMBERS, st.booleans(), st.none()),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(_TEXTS, inner, max_size=3)),
    max_leaves=6,
)


def places(value: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path of every value within a document of objects and lists."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield (*at, key)
        yield from places(inner, (*at, key))


@st.composite
def altered(draw: st.DrawFn, document: Any) -> Any:
    """`document` with one to three of its values replaced, removed, renamed, or put where others stand."""
    changed = copy.deepcopy(document)
    for _ in range(draw(st.integers(1, 3))):
        there = list(places(changed))
        if not there:
            break
        *way, last = draw(st.sampled_from(there))
        holder = changed
        for step in way:
            holder = holder[step]
        match draw(st.sampled_from(["replace", "replace", "remove", "rename", "copy"])):
            case "remove":
                del holder[last]
            case "rename" if isinstance(holder, dict):
                holder[draw(_TEXTS)] = holder.pop(last)
            case "copy":
                other: Any = changed
                for step in draw(st.sampled_from(there)):
                    other = other[step] if isinstance(other, dict | list) and _has(other, step) else other
                holder[last] = copy.deepcopy(other)
            case _:
                holder[last] = draw(VALUES)
    return changed


def _has(holder: Any, step: Any) -> bool:
    return step in holder if isinstance(holder, dict) else isinstance(step, int) and step < len(holder)


@st.composite
def altered_bytes(draw: st.DrawFn, data: bytes) -> bytes:
    """`data` with a stretch of it removed, doubled, overwritten, or something put in."""
    changed = bytearray(data)
    for _ in range(draw(st.integers(1, 3))):
        start = draw(st.integers(0, len(changed)))
        end = min(len(changed), start + draw(st.sampled_from([0, 1, 2, 8, 64, 4096])))
        other = draw(st.one_of(st.binary(max_size=8), st.just(bytes(changed[start:end]) * 2), st.just(b"")))
        changed[start:end] = other
    return bytes(changed)


def to_toml(document: Mapping[str, Any]) -> str:
    """Any document as TOML with inline tables; what TOML cannot say (null, half a surrogate pair) is left out."""
    return "".join(f"{_key(key)} = {_toml(value)}\n" for key, value in document.items() if value is not None)


def _toml(value: Any) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case float():
            return repr(value)  # inf and nan are TOML's own words
        case dict():
            inside = ", ".join(f"{_key(k)} = {_toml(v)}" for k, v in value.items() if v is not None)
            return f"{{ {inside} }}"
        case list():
            return f"[{', '.join(_toml(v) for v in value if v is not None)}]"
        case str():
            return _key(value)
    return str(value)


def _key(text: str) -> str:
    return json.dumps(text.encode("utf-8", "replace").decode(), ensure_ascii=False).replace("\x7f", "\\u007f")


@contextmanager
def no_hang() -> Iterator[None]:
    """Fails what does not come back."""

    def too_long(number: int, frame: object) -> None:
        raise AssertionError(f"still not back after {HANGS_AFTER} s")

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(HANGS_AFTER)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
