"""Durations as a suite writes them: "40 s", "10 min", "2 h"."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BeforeValidator, Field, PlainSerializer

_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*(ms|s|min|h|d)")
_DURATION_PATTERN = r"^\s*(?=[\d.]*[1-9])\d+(\.\d+)?\s*(ms|s|min|h|d)\s*$"
_SECONDS = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}
_LONGEST = 366 * _SECONDS["d"]


def seconds(text: object) -> float:
    """Seconds of a duration such as "40 s", "10 min" or "2 h"; ValueError when it is not one."""
    match = _DURATION.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is None:
        raise ValueError('a duration is a number and a unit in quotes: "40 s", "10 min", "2 h"')
    value = float(match[1]) * _SECONDS[match[2]]
    if value > _LONGEST:
        raise ValueError("a duration is at most 366 d")
    if value <= 0:
        raise ValueError("a duration is longer than nothing")
    return value


def duration_text(value: float) -> str:
    """The shortest exact way to write a duration: 90.0 gives "90 s", 600.0 gives "10 min"."""
    for unit in ("d", "h", "min"):
        if value >= _SECONDS[unit] and value % _SECONDS[unit] == 0:
            return f"{value / _SECONDS[unit]:g} {unit}"
    return f"{value:g} s"


Duration = Annotated[
    float,
    BeforeValidator(seconds, json_schema_input_type=Annotated[str, Field(pattern=_DURATION_PATTERN)]),
    PlainSerializer(duration_text, return_type=str),
]
"""Seconds in the model, a text in the file."""
