"""What the template needs, worked out from the record: plain texts in the order they are shown.

No markup here except the drawn scales; the template escapes everything else.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from markupsafe import Markup

from verifier.readings import Held, JointCoverage, Moment, Reading, Verdict
from verifier.seal.record import (
    Disclosed,
    Personal,
    Record,
    RecordedAttempt,
    RecordedCheck,
    RecordedPerson,
    disclosed_value,
)
from verifier.show import numbers, words
from verifier.show.scale import scale_svg

_KNOWN = {
    "typed": "name typed in",
    "answers-file": "from an answers file",
    "option": "named on the command line",
    "order": "from the repair order",
    "account": "from the account",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonView:
    name: str | None
    """None where this copy withholds it."""
    known: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of an uncertainty budget."""

    basis: str
    note: str
    u: str
    shape: str
    dof: str
    share: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldView:
    """One reading against one limit."""

    reading: str
    verdict: str
    value: str | None
    """None where there was no reading."""
    is_text: bool
    expanded: str
    """The expanded uncertainty; empty where none is known."""
    power: str
    unit: str
    unit_gap: str
    expressed: str
    """How the uncertainty is expressed, or why there is none."""
    limit: str
    source: str
    reason: str
    notes: tuple[str, ...]
    scale: Markup
    facts: tuple[tuple[str, str], ...]
    budget: tuple[Line, ...]
    label: str
    """What it is called outside its own row: check and reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerView:
    shown: str
    value: str
    by: PersonView
    at: str
    from_memory: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierView:
    """An attempt that no longer counts."""

    at: str
    verdict: str
    saw: tuple[str, ...]
    by: PersonView | None
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckView:
    id: str
    title: str
    stage: str
    verdict: str
    required: bool
    not_fitted: bool
    reason: str
    look: tuple[tuple[str, str], ...]
    """Joints to look at, nearest cause first: title and what the repair did to it."""
    held: tuple[HeldView, ...]
    noted: tuple[tuple[str, str, bool], ...]
    """Readings of a check without limits: name, value, whether it is a text."""
    answers: tuple[AnswerView, ...]
    earlier: tuple[EarlierView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingView:
    name: str
    value: str
    is_text: bool
    u: str
    origin: str
    samples: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenView:
    """All readings of one check that count."""

    id: str
    at: str
    took: str
    host: str
    readings: tuple[tuple[str, tuple[ReadingView, ...]], ...]
    """One entry a repeat: its number (empty where there is one take) and its readings."""


def person(who: RecordedPerson, disclosed: Disclosed) -> PersonView:
    return PersonView(name=disclosed_value(who.name, disclosed), known=_KNOWN.get(who.known, who.known))


def personal(field: Personal, disclosed: Disclosed) -> str | None:
    return disclosed_value(field, disclosed)


def span(began: Moment, ended: Moment | None) -> float | None:
    """Seconds between two moments by the clock that never jumps; None across different power-ups."""
    if ended is None or began.boot_id != ended.boot_id or began.boot_id == "unknown":
        return None
    try:
        return float(Decimal(ended.boot) - Decimal(began.boot))
    except InvalidOperation:
        return None


def check_views(record: Record, disclosed: Disclosed) -> list[CheckView]:
    """Every check, those that need somebody first; required before optional, then in the suite's order."""
    order = list(words.VERDICTS.values())
    views = [_check(check, record, disclosed) for check in record.checks]
    return sorted(views, key=lambda v: (order.index(v.verdict), not v.required))


def _verdict(check: RecordedCheck) -> tuple[str, str]:
    """The word and, where the record holds no finding, why there is none."""
    counting = check.counting
    if counting is None:
        return "not-run", "every attempt was set aside" if check.attempts else "not taken in this run"
    if counting.finding is None:
        return "not-run", "begun and not finished"
    return words.VERDICTS[counting.finding.verdict], counting.finding.reason


def _check(check: RecordedCheck, record: Record, disclosed: Disclosed) -> CheckView:
    verdict, reason = _verdict(check)
    counting, finding = check.counting, check.finding
    held = tuple(_held(h, check, _beside(h, reason)) for h in finding.held) if finding else ()
    if held and verdict == "pass":
        reason = ""  # reading, limit and scale have said it
    return CheckView(
        id=check.id,
        title=check.title,
        stage=check.stage.value,
        verdict=verdict,
        required=check.required and not (finding and finding.not_fitted),
        not_fitted=bool(finding and finding.not_fitted),
        reason=words.sentence(words.capital(reason)),
        look=_look(check, record.outcome.joints) if verdict == "fail" else (),
        held=held,
        noted=_noted(counting) if counting and verdict == "noted" and not check.prompt else (),
        answers=_answers(counting, disclosed) if counting else (),
        earlier=tuple(_earlier(a, disclosed) for a in check.attempts if a is not counting),
    )


def _beside(held: Held, reason: str) -> str:
    """The reason to show beside one limit: none for a pass, and none that the check's own already holds."""
    return "" if held.verdict is Verdict.PASS or held.reason in reason else held.reason


def _look(check: RecordedCheck, joints: Sequence[JointCoverage]) -> tuple[tuple[str, str], ...]:
    known = {joint.joint: joint for joint in joints}
    # The repair touched these, so the cause is likelier there than in a joint left alone.
    nearest = sorted(check.covers, key=lambda name: not (name in known and known[name].disturbed))
    return tuple(
        (
            known[name].title if name in known else name,
            "disturbed by this repair" if name in known and known[name].disturbed else "",
        )
        for name in nearest
    )


def _held(held: Held, check: RecordedCheck, reason: str) -> HeldView:
    number = numbers.finite(held.value)
    expanded, k = _expanded(held)
    value: str | None = None if held.value is None else numbers.value_text(held.value)
    plus_minus = power = ""
    if number is not None and expanded:
        rounded = numbers.measured(number, expanded)
        value, plus_minus, power = rounded.value, rounded.uncertainty, rounded.power
    is_number = held.value is not None and not isinstance(held.value, bool | str)
    unit = numbers.unit_text(held.unit) if is_number else ""
    label = (
        check.title if len(check.finding.held if check.finding else ()) < 2 else f"{check.title}, {held.reading}"
    )
    return HeldView(
        reading=held.reading,
        verdict=held.verdict.value,
        value=value,
        is_text=isinstance(held.value, str),
        expanded=plus_minus,
        power=power,
        unit=unit,
        unit_gap="" if unit == "°" else numbers.THIN,
        expressed=_expressed(held, k, is_number),
        limit=words.limit_words(held),
        source=held.source,
        reason=words.sentence(words.capital(reason)),
        notes=_notes(held),
        scale=scale_svg(held),
        facts=_facts(held, k),
        budget=tuple(_budget(held)),
        label=label,
    )


def _expanded(held: Held) -> tuple[float, float | None]:
    """Half the 95 % interval, and the coverage factor k = U/u (JCGM 100, 6.2.1); 0 where nothing is known."""
    if held.interval is None:
        return 0.0, None
    half = (held.interval[1] - held.interval[0]) / 2
    if not 0 < half < math.inf:
        return 0.0, None
    return half, half / held.u if held.u else None


def _expressed(held: Held, k: float | None, is_number: bool) -> str:
    if not is_number:
        return ""
    if k is not None:
        return f"k{numbers.THIN}={numbers.THIN}{numbers.fixed(k, 2)}, 95{numbers.THIN}%"
    if held.interval is not None:
        return f"95{numbers.THIN}%"
    if held.rule == "exact":
        return ""
    return "uncertainty not known" if held.u is None else ""


def _notes(held: Held) -> tuple[str, ...]:
    notes = []
    if held.readings_pooled > 1:
        notes.append(f"pooled from {held.readings_pooled} readings")
    if not held.repeatability_evaluated:
        notes.append("repeatability not evaluated")
    if held.accept_none:
        notes.append("no value could pass with this uncertainty")
    return tuple(notes)


def _facts(held: Held, k: float | None) -> tuple[tuple[str, str], ...]:
    """What the decision rests on, in the symbols of JCGM 100 and JCGM 106."""
    if held.u is None or held.rule == "exact":
        return ()
    unit = held.unit

    def quantity(x: float) -> str:
        sign = numbers.MINUS if x < 0 else ""
        return numbers.with_unit(sign + numbers.uncertainty_text(abs(x)), unit)

    facts = [("u", quantity(held.u))]
    if held.distribution != "none":
        facts.append(("distribution", words.distribution_words(held)))
    if k is not None:
        facts.append(("k", numbers.fixed(k, 2)))
    if held.conformance is not None:
        facts.append(("chance inside the limits", numbers.probability(held.conformance)))
    if held.margin is not None:
        facts.append(("margin", quantity(held.margin)))
    if held.guard_band is not None:
        facts.append(("guard band", quantity(held.guard_band)))
    if held.rule == "guarded" and not held.accept_none:
        ends = [
            f"{word} {_acceptance(end, held)}"
            for word, end in (("from", held.accept_from), ("up to", held.accept_to))
            if end is not None
        ]
        if ends:
            facts.append(("accepted", " ".join(ends)))
    return tuple(facts)


def _acceptance(end: float, held: Held) -> str:
    text = numbers.measured(end, held.u).value if held.u else numbers.plain(end)
    power = numbers.measured(end, held.u).power if held.u else ""
    return numbers.with_unit(f"{text}{numbers.THIN}{power}" if power else text, held.unit)


def _budget(held: Held) -> Iterable[Line]:
    combined = math.hypot(*(c.u for c in held.budget))
    for c in held.budget:
        yield Line(
            basis=words.basis_words(c),
            note=c.note,
            u=numbers.with_unit(numbers.uncertainty_text(c.u), held.unit),
            shape=words.shape_words(c.shape),
            dof="∞" if c.dof is None else numbers.plain(float(f"{c.dof:.3g}")),
            share=numbers.percent(round((c.u / combined) ** 2, 2)) if 0 < combined < math.inf else "",
        )


def _noted(attempt: RecordedAttempt) -> tuple[tuple[str, str, bool], ...]:
    return tuple(
        (reading.name, numbers.value_text(reading.value, reading.unit), isinstance(reading.value, str))
        for take in attempt.takes
        for reading in take
    )


def _answers(attempt: RecordedAttempt, disclosed: Disclosed) -> tuple[AnswerView, ...]:
    return tuple(
        AnswerView(
            shown=answer.shown,
            value=numbers.value_text(answer.value, answer.unit),
            by=person(answer.by, disclosed),
            at=words.time_of_day(answer.at.wall),
            from_memory=answer.from_memory,
        )
        for answer in attempt.answers
    )


def _earlier(attempt: RecordedAttempt, disclosed: Disclosed) -> EarlierView:
    answers = [numbers.value_text(answer.value, answer.unit) for answer in attempt.answers]
    readings = [
        f"{reading.name} {numbers.value_text(reading.value, reading.unit)}"
        for take in attempt.takes
        for reading in take
    ]
    finding = attempt.finding
    return EarlierView(
        at=words.time_of_day(attempt.began.wall),
        verdict=words.VERDICTS[finding.verdict] if finding else "not finished",
        saw=tuple(answers or readings),
        by=person(attempt.answers[-1].by, disclosed) if attempt.answers else None,
        why=words.sentence(words.capital(attempt.set_aside or "interrupted before it was finished")),
    )


def taken(record: Record) -> list[TakenView]:
    """Every reading that counts, judged or not, check by check in the suite's order."""
    views = []
    for check in record.checks:
        counting = check.counting
        if counting is None or not any(counting.takes):
            continue
        took = span(counting.began, counting.ended)
        several = len(counting.takes) > 1
        views.append(
            TakenView(
                id=check.id,
                at=words.time_of_day(counting.began.wall),
                took=words.duration(took) if took is not None else "",
                host=counting.host if counting.host != record.host.address else "",
                readings=tuple(
                    (str(n) if several else "", tuple(_reading(reading) for reading in take))
                    for n, take in enumerate(counting.takes, 1)
                ),
            )
        )
    return views


def _reading(reading: Reading) -> ReadingView:
    u = math.hypot(*(c.u for c in reading.contributions))
    if reading.exact:
        known = "exact"
    elif 0 < u < math.inf:
        known = numbers.uncertainty_text(u)
    else:
        known = ""
    series = reading.series
    return ReadingView(
        name=reading.name,
        value=numbers.value_text(reading.value, reading.unit),
        is_text=isinstance(reading.value, str),
        u=known,
        origin=reading.origin,
        samples=f"{len(series.values)} samples, one every {words.duration(series.dt)}" if series else "",
    )


def guarded_passes(record: Record) -> int:
    """Limits passed by the guarded rule: what the risk of the whole unit adds up over."""
    return sum(
        1
        for check in record.checks
        if check.finding
        for held in check.finding.held
        if held.rule == "guarded" and held.verdict is Verdict.PASS
    )
