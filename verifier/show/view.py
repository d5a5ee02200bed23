"""What the template needs, worked out from the record: plain texts in the order they are shown.

No markup here except the drawings of `held`, `series` and `grid`; the template escapes everything else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation

from markupsafe import Markup

from verifier.readings import Held, JointCoverage, Moment, Reading, Verdict
from verifier.seal.record import (
    Disclosed,
    Personal,
    Record,
    RecordedAttempt,
    RecordedCheck,
    RecordedName,
    RecordedPerson,
    disclosed_value,
)
from verifier.show import numbers, words
from verifier.show.cycles import CyclesView, cycles_view, take_names
from verifier.show.grid import grid_svg
from verifier.show.held import HeldView, held_view
from verifier.show.series import series_svg

MOST_TRACES = 6
"""Drawings of one check; the record holds every sample."""

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
    not_needed: bool
    reason: str
    look: tuple[tuple[str, str], ...]
    """Joints to look at, nearest cause first: title and what the repair did to it."""
    held: tuple[HeldView, ...]
    traces: tuple[Markup, ...]
    """Drawings of samples over time."""
    noted: tuple[tuple[str, str, bool], ...]
    """Readings of a check without limits: name, value, whether it is a text."""
    answers: tuple[AnswerView, ...]
    earlier: tuple[EarlierView, ...]
    cycles: CyclesView | None
    to_do: str
    """What to do next, as whatever kept the check from being taken says it."""

    @property
    def spared(self) -> bool:
        """Not called for on this unit or in this repair, and nothing else to tell of it."""
        return (self.not_fitted or self.not_needed) and not (self.earlier or self.held or self.noted)

    @property
    def why_spared(self) -> str:
        """The reason without the word that stands beside it."""
        word, colon, why = self.reason.partition(": ")
        return words.capital(why) if colon and word.casefold() in ("not needed", "not fitted") else self.reason

    @property
    def bare(self) -> bool:
        """Nothing to tell of it but why it was not run."""
        told = self.earlier or self.held or self.noted or self.answers or self.traces or self.cycles or self.to_do
        return self.verdict == "not-run" and not told


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
    held = tuple(held_view(h, _label(h, check), _beside(h, reason)) for h in finding.held) if finding else ()
    cycles = cycles_view(counting.cycles) if counting else None
    if held and verdict == "pass" and not cycles:
        reason = ""  # reading, limit and scale have said it
    if cycles and counting and verdict == "pass":
        nearest = f"the nearest of {len(counting.cycles)} cycles"
        held = tuple(replace(h, notes=(*h.notes, nearest)) for h in held)
    return CheckView(
        id=check.id,
        title=check.title,
        stage=check.stage.value,
        verdict=verdict,
        required=check.required and not (finding and (finding.not_fitted or finding.not_needed)),
        not_fitted=bool(finding and finding.not_fitted),
        not_needed=bool(finding and finding.not_needed),
        reason=words.sentence(words.capital(reason)),
        look=_look(check, record.outcome.joints) if verdict == "fail" else (),
        held=held,
        traces=_traces(counting) if counting else (),
        noted=_noted(counting) if counting and verdict == "noted" and not check.prompt else (),
        answers=_counted(_answers(counting, disclosed), cycles) if counting else (),
        earlier=tuple(_earlier(a, disclosed) for a in check.attempts if a is not counting),
        cycles=cycles,
        to_do=words.sentence(finding.to_do) if finding else "",
    )


def _label(held: Held, check: RecordedCheck) -> str:
    several = check.finding is not None and len(check.finding.held) > 1
    return f"{check.title}, {held.reading}" if several else check.title


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


def _noted(attempt: RecordedAttempt) -> tuple[tuple[str, str, bool], ...]:
    return tuple(
        (reading.name, numbers.value_text(reading.value, reading.unit), isinstance(reading.value, str))
        for take in attempt.takes
        for reading in take
    )


def _traces(attempt: RecordedAttempt) -> tuple[Markup, ...]:
    held = {h.reading: h for h in attempt.finding.held} if attempt.finding else {}
    readings = [r for take in attempt.takes for r in take]
    drawn = [series_svg(r, held.get(r.name)) for r in readings if r.series]
    drawn += [grid_svg(r) for r in readings if r.grid]
    return tuple(drawing for drawing in drawn[:MOST_TRACES] if drawing)


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


def _counted(answers: tuple[AnswerView, ...], cycles: CyclesView | None) -> tuple[AnswerView, ...]:
    """Answers to one question in many cycles as one line a person; each stands under "All readings"."""
    if cycles is None:
        return answers
    alike: dict[tuple[str, PersonView, bool], list[AnswerView]] = {}
    for answer in answers:
        alike.setdefault((answer.shown, answer.by, answer.from_memory), []).append(answer)
    return tuple(
        replace(same[0], value=f"{len(same)} answers", at=f"{same[0].at} to {same[-1].at}")
        if same[1:]
        else same[0]
        for same in alike.values()
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


def taken(record: Record, disclosed: Disclosed) -> list[TakenView]:
    """Every reading that counts, judged or not, check by check in the suite's order."""
    views = []
    for check in record.checks:
        counting = check.counting
        if counting is None or not any(counting.takes):
            continue
        took = span(counting.began, counting.ended)
        several, names = len(counting.takes) > 1, take_names(counting.cycles)
        views.append(
            TakenView(
                id=check.id,
                at=words.time_of_day(counting.began.wall),
                took=words.duration(took) if took is not None else "",
                host=counting.host if counting.host != record.host.address else "",
                readings=tuple(
                    (
                        names.get(n - 1, str(n)) if several else "",
                        (
                            *(_reading(reading) for reading in take),
                            *(_name(name, disclosed) for name in counting.names if name.take == n),
                        ),
                    )
                    for n, take in enumerate(counting.takes, 1)
                ),
            )
        )
    return views


def _name(name: RecordedName, disclosed: Disclosed) -> ReadingView:
    value = disclosed_value(name.value, disclosed)
    return ReadingView(
        name=name.reading,
        value="withheld from this copy" if value is None else value,
        is_text=value is not None,
        u="exact",
        origin=name.origin,
        samples="",
    )


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


@dataclass(frozen=True, slots=True, kw_only=True)
class JointsView:
    """The joints that the repair disturbed, by how well they were proved; what needs somebody first."""

    groups: tuple[tuple[str, str, tuple[JointCoverage, ...]], ...]
    """Coverage, its heading, and the joints."""
    summary: str
    """ "2 not covered, 1 waived, ..."; empty where the repair disturbed none."""
    undisturbed: int


_COVERAGES: dict[str, tuple[str, str]] = {
    "not-covered": ("not covered", "Not covered"),
    "waived": ("waived", "Waived: accepted without proof"),
    "by-eye": ("weakly covered", "Weakly covered: confirmed by eye, nothing counted or measured"),
    "measured": ("covered", "Covered by a measurement"),
}


def joint_groups(record: Record) -> JointsView:
    disturbed = [joint for joint in record.outcome.joints if joint.disturbed]
    groups = tuple(
        (coverage, heading, found)
        for coverage, (_, heading) in _COVERAGES.items()
        if (found := tuple(joint for joint in disturbed if joint.coverage == coverage))
    )
    return JointsView(
        groups=groups,
        summary=words.listed([f"{len(found)} {_COVERAGES[coverage][0]}" for coverage, _, found in groups]),
        undisturbed=len(record.outcome.joints) - len(disturbed),
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
