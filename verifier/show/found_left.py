"""As found against as left: the same check at arrival and after the repair, side by side.

Two checks are the same where they use the same probe with the same settings, or ask the same question,
and one of them was made at arrival. The difference is the proof of the repair.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from verifier.declare import units
from verifier.readings import Stage, Value
from verifier.seal.record import Record, RecordedCheck
from verifier.show import numbers, words


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeView:
    """One reading before and after."""

    reading: str
    found: str
    found_verdict: str
    left: str
    left_verdict: str
    change: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PairView:
    title: str
    found_id: str
    left_id: str
    changes: tuple[ChangeView, ...]


@dataclass(frozen=True, slots=True)
class _Value:
    value: Value
    unit: str
    u: float | None
    """Standard uncertainty; None where it is not known."""
    verdict: str

    @property
    def text(self) -> str:
        number = numbers.finite(self.value)
        if number is None or not self.u:
            return numbers.value_text(self.value, self.unit)
        rounded = numbers.measured(number, self.u)
        shown = f"{rounded.value}{numbers.THIN}{rounded.power}" if rounded.power else rounded.value
        return numbers.with_unit(shown, self.unit)


def pairs(record: Record) -> list[PairView]:
    """Every check that was made at arrival and again later, in the suite's order, where both gave readings."""
    arrivals = [check for check in record.checks if check.stage is Stage.ARRIVAL]
    views = []
    for left in record.checks:
        found = next((a for a in arrivals if left.stage is not Stage.ARRIVAL and _same(a, left)), None)
        if found is None:
            continue
        before, after = dict(_values(found)), dict(_values(left))
        changes = tuple(_change(name, before[name], after[name]) for name in after if name in before)
        if changes:
            views.append(PairView(title=left.title, found_id=found.id, left_id=left.id, changes=changes))
    return views


def _same(found: RecordedCheck, left: RecordedCheck) -> bool:
    if found.probe is not None:
        return (found.probe, found.settings) == (left.probe, left.settings)
    asked, again = _asked(found), _asked(left)
    return found.prompt == left.prompt and asked is not None and asked == again


def _asked(check: RecordedCheck) -> str | None:
    answers = check.counting.answers if check.counting else ()
    return answers[0].shown if answers else None


def _values(check: RecordedCheck) -> Iterator[tuple[str, _Value]]:
    """By reading: as it was read last, then what was judged in its place: pooled, with all that is known of u."""
    counting = check.counting
    if counting is None:
        return
    for take in counting.takes:
        for reading in take:
            u = math.hypot(*(c.u for c in reading.contributions)) if reading.contributions else None
            yield reading.name, _Value(reading.value, reading.unit, 0.0 if reading.exact else u, "")
    for held in counting.finding.held if counting.finding else ():
        if held.value is not None:
            u = 0.0 if held.rule == "exact" else held.u
            yield held.reading, _Value(held.value, held.unit, u, words.VERDICTS[held.verdict])


def _change(name: str, found: _Value, left: _Value) -> ChangeView:
    return ChangeView(
        reading=name,
        found=found.text,
        found_verdict=found.verdict,
        left=left.text,
        left_verdict=left.verdict,
        change=_difference(found, left),
    )


def _difference(found: _Value, left: _Value) -> str:
    """What changed.

    The u of a difference of two independent readings is √(u₁² + u₂²) (JCGM 100:2008, 5.1.2, equation 10). What
    both share, such as the calibration of one meter, cancels in a difference: this u is then too large.
    """
    before, after = numbers.finite(found.value), numbers.finite(left.value)
    if before is None or after is None or found.unit != left.unit:
        return "the same" if (found.value, found.unit) == (left.value, left.unit) else "another"
    change = after - before
    if not math.isfinite(change):
        return ""
    try:
        unit = units.difference_unit(found.unit) if found.unit else ""
    except ValueError:
        unit = found.unit  # no unit that is known here: shown as it stands
    u = math.hypot(found.u, left.u) if found.u is not None and left.u is not None else None
    sign = "+" if change > 0 else ""
    if not u or not math.isfinite(u):
        return sign + numbers.with_unit(numbers.plain(float(f"{change:.12g}")), unit) if change else "none"
    rounded = numbers.measured(change, u)
    shown = f"{rounded.value}{numbers.THIN}{rounded.power}" if rounded.power else rounded.value
    return f"{sign}{numbers.with_unit(shown, unit)}, u {numbers.with_unit(numbers.uncertainty_text(u), unit)}"
