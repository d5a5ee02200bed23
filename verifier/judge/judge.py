"""The judge: a check's readings against its limits, one finding."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from verifier.declare import units
from verifier.declare.suite import Check, Decision, Limit, Rule
from verifier.judge import cycles as cycling
from verifier.judge import decision as deciding
from verifier.judge import uncertainty
from verifier.judge.decision import Decided
from verifier.judge.limits import beside_value, holds, limit_words, quantity_words, value_words
from verifier.judge.uncertainty import Combined
from verifier.judge.values import Measured, Unusable, measured, pooled, together
from verifier.readings import Basis, Conditions, Contribution, Cycle, Finding, Held, Reading, Verdict

WORST_FIRST = (Verdict.FAIL, Verdict.BENCH_ERROR, Verdict.INCONCLUSIVE, Verdict.NOT_RUN, Verdict.PASS)
"""The verdict of a check is the first of these that one of its limits has: no bench error erases a fail."""

MOST_REPEATS = 1000
"""The most repeats a suite may ask for; more are never proposed."""


@dataclass(frozen=True, slots=True)
class _Converted:
    """A number and its tolerance limits in one unit."""

    y: float
    lower: float | None
    upper: float | None
    unit: str
    budget: tuple[Contribution, ...]


class SuiteJudge:
    """Holds readings against limits by the decision rule of a suite."""

    def __init__(self, decision: Decision) -> None:
        self.decision = decision

    def __call__(self, check: Check, takes: Sequence[Sequence[Reading]]) -> Finding:
        """One finding for all takes of a check; repeats pool by the check's rule and share one risk.

        Never raises for what a reading may hold: what cannot be judged is `bench-error` with its reason.
        """
        if not check.limits:
            return Finding(verdict=None)
        try:
            values = [measured(check, take) for take in takes]
        except Unusable as error:
            return Finding(verdict=Verdict.BENCH_ERROR, reason=f"{error}")
        if not values:
            return Finding(verdict=Verdict.BENCH_ERROR, reason="no readings were taken")
        held = tuple(self._held(check, limit, values) for limit in check.limits)
        verdict = next(v for v in WORST_FIRST if any(h.verdict is v for h in held))
        return Finding(verdict=verdict, reason=_finding_reason(verdict, held), held=held)

    def of_cycles(self, check: Check, cycles: Sequence[Cycle]) -> Finding:
        """One finding for all cycles of a check: `verifier.judge.cycles`."""
        return cycling.of_cycles(check, cycles)

    def _held(self, check: Check, limit: Limit, takes: Sequence[Mapping[str, Measured]]) -> Held:
        given = [take[limit.reading] for take in takes if limit.reading in take]
        rule: Literal["guarded", "simple", "exact"] = "exact"
        if limit.numeric:
            rule = "simple" if self.decision.rule is Rule.SIMPLE else "guarded"
        words = limit_words(limit, given[0].unit if given else "")
        if not given:
            return Held(
                reading=limit.reading,
                verdict=Verdict.NOT_RUN,
                limit=words,
                source=limit.source,
                rule=rule,
                reason=f"the hardware does not state {limit.reading}",
            )
        try:
            if len(given) < len(takes):
                raise Unusable(f"{limit.reading} was given in only {len(given)} of {len(takes)} takes")
            if limit.numeric:
                return self._numeric(check, limit, given, words)
            return _stated_exactly(limit, given, words)
        except Unusable as error:
            return Held(
                reading=limit.reading,
                verdict=Verdict.BENCH_ERROR,
                limit=words,
                source=limit.source,
                rule=rule,
                readings_pooled=len(given),
                reason=f"{error}",
            )

    def _numeric(self, check: Check, limit: Limit, given: Sequence[Measured], words: str) -> Held:
        pool = check.repeat.pool if check.repeat else "mean"
        margins = [deciding.margin(c.y, c.lower, c.upper) for c in (_converted(limit, m) for m in given)]
        one = pooled(given, pool, worst=margins.index(min(margins)))
        c, looks = _converted(limit, one), one.conditions.looks
        combined = uncertainty.combine(c.budget)
        rule: Literal["guarded", "simple", "exact"] = "exact" if one.exact else "simple"
        if not one.exact and self.decision.rule is Rule.GUARDED and combined.repeatability_evaluated:
            rule = "guarded"
            decided = deciding.guarded(c.y, c.lower, c.upper, combined.distribution, *self._risks(looks))
        else:
            known = combined.distribution if combined.u is not None else None
            decided = deciding.simple(c.y, c.lower, c.upper, known)
        y = int(c.y) if one.exact and float(c.y).is_integer() else c.y
        reason = f"{value_words(y, c.unit, combined.u)}, {beside_value(words)}"
        if decided.verdict is Verdict.INCONCLUSIVE:
            reason = self._undecided(c, combined, decided, words, looks)
        elif self.decision.rule is Rule.GUARDED and rule == "simple":
            reason += " (repeatability not evaluated)"
        verdict, reason = _under(one.conditions, decided.verdict, reason, c.upper)
        return Held(
            reading=limit.reading,
            verdict=verdict,
            limit=words,
            source=limit.source,
            rule=rule,
            value=y,
            unit=c.unit,
            lower=c.lower,
            upper=c.upper,
            u=combined.u,
            dof=combined.dof,
            distribution=combined.distribution.kind,
            interval=decided.interval,
            conformance=decided.conformance,
            margin=decided.margin,
            guard_band=decided.guard_band,
            accept_from=decided.accept_from,
            accept_to=decided.accept_to,
            accept_none=decided.accept_none,
            repeatability_evaluated=one.exact or combined.repeatability_evaluated,
            readings_pooled=one.takes,
            budget=combined.budget,
            reason=reason,
            looks=looks,
            remark=one.conditions.remark,
            at_least=one.conditions.at_least,
        )

    def _risks(self, looks: int) -> tuple[float, float]:
        """Largest chances of a wrong pass and a wrong fail. Looks share them equally (Bonferroni: the chance that
        any of several is wrong is at most the sum), so that looking often does not add up."""
        return self.decision.max_false_accept / looks, self.decision.reject_risk / looks

    def _undecided(self, c: _Converted, combined: Combined, decided: Decided, words: str, looks: int) -> str:
        """What would decide it, in one plain sentence."""
        value = f"{quantity_words(c.y, c.unit, combined.u)}, {words}"
        difference = units.difference_unit(c.unit) if c.unit else ""
        if decided.needs_u is None:
            return f"{value}: the value stands on the limit, and no uncertainty decides that"
        needs = quantity_words(_rounded_down(decided.needs_u), difference)
        has = quantity_words(float(f"{combined.u:.2g}"), difference)
        if decided.accept_none:
            sentence = f"{value}: this instrument cannot decide this limit (needs u below {needs}, has {has})"
        else:
            sentence = f"{value}: too close to the limit for u = {has}, needs u below {needs}"
        repeats = self._repeats_needed(c, combined, looks)
        return f"{sentence}, or about {repeats} repeats" if repeats else sentence

    def _repeats_needed(self, c: _Converted, combined: Combined, looks: int) -> int | None:
        """The number of repeats that would decide it if mean and spread stayed; None where none would."""
        scatter = next((line for line in combined.budget if line.basis is Basis.REPEATS), None)
        if scatter is None or scatter.dof is None or scatter.u == 0 or scatter.note.startswith("worst"):
            return None
        taken = int(scatter.dof) + 1
        others = [line for line in combined.budget if line is not scatter]

        def decided(n: int) -> bool:
            # u of a mean and of a median both fall with √n.
            line = Contribution(basis=Basis.REPEATS, u=scatter.u * math.sqrt(taken / n), dof=n - 1)
            shape = uncertainty.combine([*others, line]).distribution
            risks = self._risks(looks)
            return deciding.guarded(c.y, c.lower, c.upper, shape, *risks).verdict is not Verdict.INCONCLUSIVE

        if not decided(MOST_REPEATS):
            return None
        low, high = taken, MOST_REPEATS
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if decided(middle) else (middle, high)
        return high


def _under(
    conditions: Conditions, verdict: Verdict, reason: str, upper: float | None = None
) -> tuple[Verdict, str]:
    """What the conditions leave of a verdict. What is in doubt decides nothing. A value that was broken off at a
    ceiling is too much for an upper limit, whatever had been reached by then; for a lower one it may be enough,
    and where it is not, the true value still may be."""
    if conditions.doubt:
        return Verdict.INCONCLUSIVE, f"{reason}; it decides nothing: {conditions.doubt}"
    if conditions.at_least:
        if upper is None and verdict is Verdict.FAIL:
            return Verdict.INCONCLUSIVE, f"at least {reason}: how much more it is was not measured"
        why = f": {conditions.remark}" if conditions.remark else ""
        return Verdict.FAIL if upper is not None else verdict, f"at least {reason}{why}"
    return verdict, reason


def _converted(limit: Limit, m: Measured) -> _Converted:
    """Reading and limit in the unit of the limit; in that of the reading where only values convert (W, dBm)."""
    lower, upper = limit.bounds
    here, wanted = m.unit, limit.unit or m.unit
    if here == wanted or not here:
        return _Converted(m.number, lower, upper, wanted, m.budget)
    try:
        if units.same_difference(here, wanted):
            y = units.convert(m.number, here, wanted)
            return _Converted(y, lower, upper, wanted, uncertainty.in_unit(m.budget, here, wanted))
        low = None if lower is None else units.convert(lower, wanted, here)
        high = None if upper is None else units.convert(upper, wanted, here)
    except ValueError as error:
        raise Unusable(f"{m.name} cannot be held against its limit: {error}") from None
    return _Converted(m.number, low, high, here, m.budget)


def _stated_exactly(limit: Limit, given: Sequence[Measured], words: str) -> Held:
    """Texts, yes or no, and counts: every take must satisfy the limit; the first that does not is shown."""
    wrong = next((m for m in given if not holds(limit, m)), None)
    shown = wrong or given[0]
    told = f"not {words.removeprefix('matches ').removeprefix('exactly ')}" if wrong else words
    conditions = together([m.conditions for m in given])
    reason = f"{value_words(shown.value, shown.unit)}, {told}"
    verdict, reason = _under(conditions, Verdict.FAIL if wrong else Verdict.PASS, reason)
    return Held(
        reading=limit.reading,
        verdict=verdict,
        limit=words,
        source=limit.source,
        rule="exact",
        value=shown.value,
        unit=shown.unit,
        readings_pooled=len(given),
        reason=reason,
        remark=conditions.remark,
        at_least=conditions.at_least,
    )


def _rounded_down(value: float) -> float:
    """Two figures, never more than the value: what is said to be needed must be enough."""
    if value <= 0 or not math.isfinite(value):
        return value
    power = math.floor(math.log10(value)) - 1
    return float(f"{math.floor(value / math.pow(10, power))}e{power}")


def _finding_reason(verdict: Verdict, held: Sequence[Held]) -> str:
    """One sentence on what decided the verdict, naming readings where a check has several."""
    several = len({h.reading for h in held}) > 1

    def worded(h: Held) -> str:
        # A bare yes or no says nothing, unless the check's title is the question.
        named = several or (isinstance(h.value, bool) and h.reading != "confirm")
        return f"{h.reading.replace('_', ' ')}: {h.reason}" if named and h.reading not in h.reason else h.reason

    told = [worded(h) for h in held if h.verdict is verdict]
    if verdict is Verdict.PASS and len(told) > 1:
        return f"all {len(told)} limits kept"
    shown = "; ".join(told[:3])
    return f"{shown}; and {len(told) - 3} more" if len(told) > 3 else shown
