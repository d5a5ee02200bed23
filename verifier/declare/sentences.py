"""What pydantic finds wrong, in plain sentences."""

from __future__ import annotations

import math
from typing import Any

from verifier.declare.spelling import hint, nearest, shown

WANTED = {
    "bool_type": "true or false",
    "int_type": "a whole number",
    "float_type": "a number",
    "int_from_float": "a whole number",
    "finite_number": "a finite number",
    "string_type": "text in quotes",
    "tuple_type": "a list in [ ]",
    "list_type": "a list in [ ]",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "dataclass_type": "a table",
    "date_type": "a date such as 2027-03-31",
    "date_parsing": "a date such as 2027-03-31",
    "date_from_datetime_parsing": "a date such as 2027-03-31",
    "date_from_datetime_inexact": "a date without a time, such as 2027-03-31",
}

_PATTERNS = {
    r"^[a-z0-9]+(-[a-z0-9]+)*$": "is not lower-case words joined by hyphens, such as antenna-left",
    r"^[a-z][a-z0-9]*(_[a-z0-9]+)*$": "is not lower-case words joined by underscores, such as chain_0",
    r"^[a-z0-9][a-z0-9-]*\.svg$": "is not the name of an SVG file beside the suite, such as edge-spacers.svg",
    r"^[ -~]*[!-~][ -~]*$": "is not one line of plain ASCII characters",
    r"\S": "is empty",
}


def sentence(error: Any, value: Any) -> tuple[str, str]:
    """One pydantic error in plain words, and what to do."""
    kind, ctx = error["type"], error.get("ctx", {})
    called = called_words(value)
    if kind == "value_error":
        return str(ctx["error"]), ""
    if kind in WANTED:
        quoted = kind in ("int_type", "float_type") and isinstance(value, str)
        to_do = "Numbers stand without quotes." if quoted and _is_number(value) else ""
        if kind == "bool_type" and isinstance(value, str):
            to_do = "Write true or false, without quotes."
        return f"{called} does not fit; it takes {WANTED[kind]}", to_do
    if kind in ("enum", "literal_error"):
        known = expected_words(error)
        if kind == "literal_error" and len(known) == 1:
            return f"{called} does not fit; it takes {known[0]}", ""
        return f"{called} is none of {', '.join(known)}", (
            hint(value, known) if isinstance(value, str) and nearest(value, known) else ""
        )
    if kind == "string_pattern_mismatch":
        rule = _PATTERNS.get(ctx["pattern"], f"does not match {shown(ctx['pattern'])}")
        return f"{called} {rule}", _identifier_hint(value, ctx["pattern"])
    words = {
        "string_too_short": "the text is empty",
        "string_too_long": f"the text is longer than {ctx.get('max_length')} characters",
        "too_long": f"there are more than {ctx.get('max_length')} entries",
        "too_short": f"there are fewer than {ctx.get('min_length')} entries",
        "greater_than": f"{called} is not above {_g(ctx.get('gt'))}",
        "greater_than_equal": f"{called} is below {_g(ctx.get('ge'))}",
        "less_than": f"{called} is not below {_g(ctx.get('lt'))}",
        "less_than_equal": f"{called} is above {_g(ctx.get('le'))}",
    }
    return words.get(kind, f"{called} does not fit"), ""


def expected_words(error: Any) -> list[str]:
    text = str(error.get("ctx", {}).get("expected", ""))
    return [word.strip().strip("'") for part in text.split(" or ") for word in part.split(",")]


def _identifier_hint(value: Any, pattern: str) -> str:
    made = made_identifier(value, pattern) if isinstance(value, str) else ""
    return f"Did you mean {shown(made)}?" if made else ""


def made_identifier(text: str, pattern: str) -> str:
    """A valid name made from a text, as an author would; empty where none can be made."""
    joint = "-" if "(-[" in pattern else "_" if "(_[" in pattern else ""
    if not joint or len(text) > 64:
        return ""
    made = joint.join("".join(c if c.isalnum() and c.isascii() else " " for c in text.lower()).split())
    return "" if joint == "_" and made[:1].isdigit() else made


def called_words(value: Any) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if value is None:
        return "nothing"
    return shown(value)


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _g(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)
