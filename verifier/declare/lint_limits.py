"""What is wrong with a check's limits: form, kind, unit, source, and what no reading could satisfy."""

from __future__ import annotations

import math
from dataclasses import dataclass

from verifier.declare import units
from verifier.declare.check_readings import kind_words
from verifier.declare.complaints import limit_complaints
from verifier.declare.decidable import undecidable
from verifier.declare.flaws import KeyPath
from verifier.declare.lint_checks import (
    CheckReadings,
    complain,
    named_reading,
    unit_is_wrong,
    unit_missing,
    wrong_dimension,
)
from verifier.declare.notes import Notes
from verifier.declare.patterns import Pattern, compiled
from verifier.declare.spelling import plain, shown
from verifier.declare.suite import Check, Limit, PromptKind, Suite
from verifier.readings import ReadingDeclaration, Value

MOST_PATTERNS = 500
"""Different patterns of a suite; each takes a while to take apart."""

_FORMS = {
    "number": "A number takes at_least, at_most, nominal with tolerance, equals or one_of.",
    "text": "A text takes equals, one_of or matches.",
    "yes-no": "A yes or no takes is = true or is = false.",
}


@dataclass(frozen=True, slots=True)
class _Place:
    suite: Suite
    check: Check
    check_at: KeyPath
    at: KeyPath
    """Path of the limit."""


def lint_limits(notes: Notes, suite: Suite, check: Check, check_at: KeyPath, readings: CheckReadings) -> None:
    """Everything about the limits of one check."""
    for number, limit in enumerate(check.limits):
        place = _Place(suite, check, check_at, (*check_at, "limits", number))
        complaints = limit_complaints(limit)
        for keys, what in complaints:
            complain(notes, place.at, keys, what)
        if not limit.source.strip():
            _no_source(notes, place)
        pattern = None
        if limit.matches is not None:
            pattern = lint_pattern(notes, limit.matches, (*place.at, "matches"))
        bad_unit = bool(limit.unit) and unit_is_wrong(notes, limit.unit, (*place.at, "unit"))
        declared = named_reading(notes, readings, limit.reading, place.at)
        if declared is None or complaints or not _kind_fits(notes, limit, declared, place):
            continue
        if declared.personal:
            _personal(notes, declared, place)
        elif declared.kind == "number":
            if not bad_unit and _unit_fits(notes, limit, declared, place):
                _could_be_met(notes, limit, declared, place)
        elif limit.unit:
            notes.error(
                (*place.at, "unit"), f"{kind_words(declared.kind)} has no unit", "Take it away.", at_key=True
            )
        if check.prompt is PromptKind.CHOICE and limit.reading == "choice":
            _offered(notes, limit, place, pattern)
    _contradictions(notes, check, check_at, readings)


def lint_pattern(notes: Notes, text: str, path: KeyPath) -> Pattern | None:
    """Tell a pattern that cannot be used."""
    if text not in notes.patterns and len(notes.patterns) >= MOST_PATTERNS:
        notes.error(path, f"the suite has more than {MOST_PATTERNS} different patterns", "Use one_of.")
        return None
    notes.patterns.add(text)
    try:
        return compiled(text)
    except ValueError as error:
        notes.error(path, plain(str(error)))
        return None


def _personal(notes: Notes, declared: ReadingDeclaration, place: _Place) -> None:
    what = f"{shown(declared.name)} is a personal field: a limit on it would put the name into every copy"
    notes.error((*place.at, "reading"), what, "Name what you expect in the settings, and limit what they give.")


def _no_source(notes: Notes, place: _Place) -> None:
    what = "the limit does not say where it comes from"
    to_do = 'Add source = "..." with the maker\'s document, the standard, the study, or whose judgement it is.'
    if place.suite.state == "approved":
        notes.error((*place.at, "source"), what, to_do, concerns=[("state",)])
    else:
        notes.warning((*place.at, "source"), what, to_do, concerns=[("state",)])


def _form_of(limit: Limit) -> str:
    """The key that says which form the limit has."""
    for key in ("at_least", "at_most", "nominal", "equals", "one_of", "matches"):
        if getattr(limit, key) is not None:
            return key
    return "is"


def _kind_fits(notes: Notes, limit: Limit, declared: ReadingDeclaration, place: _Place) -> bool:
    form, kind = _form_of(limit), declared.kind
    wants = {"number": (int, float), "text": (str,), "yes-no": ()}[kind]
    fits = {
        "number": limit.numeric or form in ("equals", "one_of"),
        "text": form in ("equals", "one_of", "matches"),
        "yes-no": form == "is",
    }[kind]
    if not fits:
        what = f"{form} does not fit: the reading {shown(limit.reading)} is {kind_words(kind)}"
        notes.error((*place.at, form), what, _FORMS[kind], at_key=True)
        return False
    for path, value in _values(limit, place):
        if isinstance(value, bool) or not isinstance(value, wants):
            what = f"{shown(value)} does not fit: the reading {shown(limit.reading)} is {kind_words(kind)}"
            to_do = "Write it without quotes." if kind == "number" else "Write it in quotes."
            if isinstance(value, bool):
                to_do = _FORMS[kind]
            notes.error(path, what, to_do)
            return False
    return True


def _values(limit: Limit, place: _Place) -> list[tuple[KeyPath, Value]]:
    """The values of `equals` or `one_of`, each with its path."""
    if limit.equals is not None:
        return [((*place.at, "equals"), limit.equals)]
    return [((*place.at, "one_of", number), value) for number, value in enumerate(limit.one_of or ())]


def _unit_fits(notes: Notes, limit: Limit, declared: ReadingDeclaration, place: _Place) -> bool:
    unit = units.normal(declared.unit)
    if not limit.unit:
        unit_missing(notes, declared, place.at, unit)
        return unit == "1"
    if not units.same_dimension(limit.unit, unit):
        wrong_dimension(notes, limit.unit, declared, place.at, unit)
        return False
    return True


def _could_be_met(notes: Notes, limit: Limit, declared: ReadingDeclaration, place: _Place) -> None:
    check = place.check
    if check.prompt is PromptKind.COUNT and limit.reading == "count":
        for path, value in _values(limit, place):
            if isinstance(value, float) and not value.is_integer():
                notes.error(path, f"a count is a whole number, and never {value:g}")
    if check.range is not None and limit.reading == (check.prompt.value if check.prompt else ""):
        _against_range(notes, limit, declared, place, check.range)
    if wrong := undecidable(check, limit, place.suite.decision, declared.unit):
        to_do = "Use a better instrument, or widen the limits."
        concerns: list[KeyPath] = [(*place.check_at, "uncertainty"), ("decision",)]
        notes.error((*place.at, _form_of(limit)), plain(wrong), to_do, concerns=concerns)


def _against_range(
    notes: Notes, limit: Limit, declared: ReadingDeclaration, place: _Place, span: tuple[float, float]
) -> None:
    try:
        low, high = (units.convert(x, declared.unit, limit.unit or declared.unit) for x in span)
    except ValueError:
        return
    lower, upper = limit.bounds
    wanted = [x for x in (limit.equals, *(limit.one_of or ())) if isinstance(x, int | float)]
    path = (*place.at, _form_of(limit))
    if (
        (lower is not None and lower > high)
        or (upper is not None and upper < low)
        or (wanted and not any(low <= x <= high for x in wanted))
    ):
        notes.warning(path, f"no answer in the range {span[0]:g} to {span[1]:g} can pass", "Widen the range.")
    elif limit.numeric and (lower is None or lower <= low) and (upper is None or upper >= high):
        what = f"every answer in the range {span[0]:g} to {span[1]:g} passes"
        notes.warning(path, what, "Widen the range, so that a bad unit can be told.")


def _offered(notes: Notes, limit: Limit, place: _Place, pattern: Pattern | None) -> None:
    options = place.check.options
    concerns: list[KeyPath] = [(*place.check_at, "options")]
    if not options or (limit.matches is not None and pattern is None):
        return
    if limit.matches is not None and pattern is not None:
        passing = {option for option in options if pattern.fullmatch(option)}
        if not passing:
            notes.error((*place.at, "matches"), "none of the options matches", concerns=concerns)
    else:
        values = _values(limit, place)
        passing = {value for _, value in values if isinstance(value, str)}
        for path, value in values:
            if isinstance(value, str) and value not in options:
                to_do = notes.hint(value, options, "options")
                notes.error(path, f"{shown(value)} is none of the options", to_do, concerns=concerns)
    if set(options) <= passing:
        notes.warning((*place.at, _form_of(limit)), "every option passes", "Is one missing that fails?")


def _contradictions(notes: Notes, check: Check, check_at: KeyPath, readings: CheckReadings) -> None:
    """Limits on one reading that no value meets together."""
    spans: dict[str, tuple[float, float]] = {}
    for number, limit in enumerate(check.limits):
        declared = readings.named(limit.reading)
        if not limit.numeric or declared is None or not declared.unit or limit_complaints(limit):
            continue
        try:
            lower, upper = (
                None if x is None else units.convert(x, limit.unit or declared.unit, declared.unit)
                for x in limit.bounds
            )
        except ValueError:
            continue
        low, high = spans.get(limit.reading, (-math.inf, math.inf))
        low = low if lower is None else max(low, lower)
        high = high if upper is None else min(high, upper)
        if low > high:
            what = f"no value of {shown(limit.reading)} can meet this limit and those before it"
            notes.error((*check_at, "limits", number, "reading"), what)
            continue
        spans[limit.reading] = (low, high)
