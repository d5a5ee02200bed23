"""Limits in words, and limits that need no uncertainty: texts, yes or no, exact counts."""

from __future__ import annotations

import math

from verifier.declare import patterns, units
from verifier.declare.suite import Limit
from verifier.judge.values import Measured, Unusable
from verifier.readings import Value

LONGEST_SHOWN = 80
"""Characters of a text that a sentence quotes."""


def number_words(value: float) -> str:
    """A number for a sentence: at most six figures, whole numbers whole, a real minus sign."""
    whole = float(value).is_integer() and abs(value) < 1e15
    return (str(int(value)) if whole else f"{value:.6g}").replace("-", "−")


def quantity_words(value: float, unit: str, u: float | None = None) -> str:
    """A number with its unit; with `u`, to the second figure of the uncertainty (JCGM 100, 7.2.6)."""
    if u and math.isfinite(u):
        # Not beyond the sixth figure, nor to tens and hundreds, which would look like less than was read.
        places = min(max(1 - math.floor(math.log10(u)), 0), 12)
        rounded = f"{value:.{places}f}"
        text = rounded.replace("-", "−") if len(rounded) < len(f"{value:.6g}") else number_words(value)
    else:
        text = number_words(value)
    shown = units.shown(unit) if unit else ""
    return f"{text}{'' if shown in ('', '%', '°') else ' '}{shown}"


def value_words(value: Value, unit: str = "", u: float | None = None) -> str:
    """Any reading for a sentence; long texts are cut."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value if len(value) <= LONGEST_SHOWN else value[: LONGEST_SHOWN - 1] + "…"
    return quantity_words(value, unit, u)


def limit_words(limit: Limit, unit: str = "") -> str:
    """A limit in words: "at most 45 K", "4.75 to 5.5 V", "1.0 ± 0.1 A", "one of a, b", "yes".

    `unit` is that of the reading, for limits that name none.
    """
    unit = limit.unit or unit
    if limit.nominal is not None and limit.tolerance is not None:
        places = max(_places(limit.nominal), _places(limit.tolerance))
        pair = f"{limit.nominal:.{places}f} ± {limit.tolerance:.{places}f}".replace("-", "−")
        return f"{pair} {units.shown(unit) if unit else ''}".rstrip()
    if limit.at_least is not None and limit.at_most is not None:
        return f"{number_words(limit.at_least)} to {quantity_words(limit.at_most, unit)}"
    if limit.at_least is not None:
        return f"at least {quantity_words(limit.at_least, unit)}"
    if limit.at_most is not None:
        return f"at most {quantity_words(limit.at_most, unit)}"
    if limit.one_of is not None:
        return "one of " + ", ".join(value_words(v, unit) for v in limit.one_of)
    if limit.matches is not None:
        return f"matches {value_words(limit.matches)}"
    if limit.is_ is not None:
        return "yes" if limit.is_ else "no"
    assert limit.equals is not None  # noqa: S101 - the model allows exactly one form
    if isinstance(limit.equals, bool):
        return "yes" if limit.equals else "no"
    return f"exactly {value_words(limit.equals, unit)}"


def beside_value(words: str) -> str:
    """A limit in words, as it stands after the value: two figures beside a third are said to be the limits."""
    return words if words[:1].isalpha() else f"limits {words}"


def _places(value: float) -> int:
    """Decimal places as written, up to six."""
    text = f"{value:.6f}".rstrip("0")
    return len(text.partition(".")[2])


def holds(limit: Limit, measured: Measured) -> bool:
    """Whether a value satisfies `equals`, `one_of`, `matches` or `is`.

    A value of another kind than the limit asks for is nobody's failure: raises Unusable.
    """
    if limit.is_ is not None:
        return _same(limit.is_, measured, limit.unit)
    if limit.equals is not None:
        return _same(limit.equals, measured, limit.unit)
    if limit.one_of is not None:
        # A list may mix numbers and texts; only those of the reading's kind can be meant.
        alike = [v for v in limit.one_of if isinstance(v, str) == isinstance(measured.value, str)]
        if not alike or isinstance(measured.value, bool):
            raise Unusable(f"{measured.name} is {_kind(measured.value)}, and the limit is {limit_words(limit)}")
        return any(_same(v, measured, limit.unit) for v in alike)
    if limit.matches is None or not isinstance(measured.value, str):
        raise Unusable(f"{measured.name} is {_kind(measured.value)} where a text was expected")
    try:
        return patterns.compiled(limit.matches).fullmatch(measured.value)
    except ValueError as error:
        raise Unusable(f"{measured.name} cannot be matched: {error}") from None


def _same(wanted: Value, measured: Measured, unit: str) -> bool:
    value = measured.value
    if isinstance(wanted, bool) or isinstance(value, bool) or isinstance(wanted, str) or isinstance(value, str):
        if type(wanted) is not type(value):
            raise Unusable(f"{measured.name} is {_kind(value)} where {_kind(wanted)} was expected")
        return wanted == value
    number = measured.number
    if unit and measured.unit and unit != measured.unit:
        try:
            number = units.convert(number, measured.unit, unit)
        except ValueError as error:
            raise Unusable(f"{measured.name} cannot be compared: {error}") from None
        # Conversion rounds once; equal quantities must stay equal.
        return math.isclose(number, wanted, rel_tol=1e-12)
    return number == wanted


def _kind(value: Value) -> str:
    if isinstance(value, bool):
        return "yes or no"
    return "a text" if isinstance(value, str) else "a number"
