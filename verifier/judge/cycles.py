"""Many cycles of one check as one finding.

1. It fails when any cycle failed, and says which.
2. Else it is `bench-error`, `inconclusive` or `not-run` when a cycle is: such a cycle proves nothing.
3. It passes only when all cycles that the suite asks for passed.
4. A rate is stated only where all of them were judged: the bounds hold for a number that was fixed beforehand, not
   for one that ended with what was found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from verifier.declare.suite import Check
from verifier.judge.proportions import clopper_pearson, excluded_by_success_run
from verifier.readings import Cycle, FaultRate, Finding, Held, Verdict

WORST_FIRST = (Verdict.FAIL, Verdict.BENCH_ERROR, Verdict.NOT_RUN, Verdict.INCONCLUSIVE, Verdict.PASS)
MOST_NAMED = 5
"""How many cycles a sentence names before it counts the rest."""


def of_cycles(check: Check, cycles: Sequence[Cycle]) -> Finding:
    """The finding of a check from its cycles that count, in order; one without any is `bench-error`."""
    asked = check.cycles.number if check.cycles else 1
    found = [(cycle, cycle.finding) for cycle in cycles if cycle.finding is not None]
    if not found:
        return Finding(verdict=Verdict.BENCH_ERROR, reason="no cycle was taken")
    verdict = next(v for v in WORST_FIRST if any(f.verdict is v for _, f in found))
    those = [(cycle, finding) for cycle, finding in found if finding.verdict is verdict]
    rate = _rate([f.verdict for _, f in found], asked)
    if verdict is Verdict.PASS:
        if len(found) < asked:
            reason = f"only {len(found)} of {asked} cycles were taken"
            return Finding(verdict=Verdict.BENCH_ERROR, reason=reason)
        reason = f"all {asked} cycles passed: {rate_words(rate)}" if rate else f"all {asked} cycles passed"
        return Finding(verdict=verdict, reason=reason, held=_nearest([f for _, f in found]), rate=rate)
    first = those[0][1]
    reason = _which([cycle for cycle, _ in those], asked)
    if len(found) < asked and verdict is Verdict.FAIL:
        reason += ", and no more were taken"
    reason += f": {first.reason}" if first.reason else ""
    reason += f"; {rate_words(rate)}" if rate else ""
    return Finding(
        verdict=verdict,
        reason=reason,
        held=first.held,
        absent=all(f.absent for _, f in those),
        to_do=first.to_do,
        rate=rate,
    )


def rate_words(rate: FaultRate) -> str:
    """What a rate says, for a sentence. Bounds are rounded outwards, so that what is said is true."""
    if rate.failed == 0:
        return (
            f"a fault that shows in more than {_percent(rate.upper, up=True)} of cycles is excluded at 95 % "
            f"(success run of {rate.cycles})"
        )
    return (
        f"{_percent(rate.failed / rate.cycles)} of cycles fail "
        f"(95 % interval {_percent(rate.lower, up=False)} to {_percent(rate.upper, up=True)}, Clopper-Pearson)"
    )


def _rate(verdicts: Sequence[Verdict | None], asked: int) -> FaultRate | None:
    if len(verdicts) != asked or any(v not in (Verdict.PASS, Verdict.FAIL) for v in verdicts):
        return None
    failed = sum(v is Verdict.FAIL for v in verdicts)
    lower, upper = clopper_pearson(failed, asked) if failed else (0.0, excluded_by_success_run(asked))
    return FaultRate(cycles=asked, failed=failed, lower=lower, upper=upper)


def _percent(share: float, *, up: bool | None = None) -> str:
    """A share in percent to three figures; `up` rounds a bound away from what it bounds."""
    percent = share * 100
    if percent <= 0 or percent >= 100:
        return f"{percent:.0f} %"
    step = 10.0 ** (math.floor(math.log10(percent)) - 2)
    steps = percent / step
    whole = round(steps) if up is None else math.ceil(steps - 1e-9) if up else math.floor(steps + 1e-9)
    return f"{float(f'{whole * step:.12g}'):g} %"


def _which(cycles: Sequence[Cycle], asked: int) -> str:
    """ "cycle 7 of 20 (upright)", "cycles 7, 12 and 13 of 20"."""
    if len(cycles) == 1:
        position = f" ({cycles[0].position})" if cycles[0].position else ""
        return f"cycle {cycles[0].number} of {asked}{position}"
    numbers = [str(cycle.number) for cycle in cycles[:MOST_NAMED]]
    if len(cycles) > MOST_NAMED:
        numbers.append(f"{len(cycles) - MOST_NAMED} more")
    return f"cycles {', '.join(numbers[:-1])} and {numbers[-1]} of {asked}"


def _nearest(findings: Sequence[Finding]) -> tuple[Held, ...]:
    """For each limit the cycle whose reading came nearest to it: the pass that says least."""
    several = [finding.held for finding in findings]
    if len({len(held) for held in several}) != 1:
        return several[0]
    return tuple(min(same, key=_margin) for same in zip(*several, strict=True))


def _margin(held: Held) -> float:
    return math.inf if held.margin is None else held.margin
