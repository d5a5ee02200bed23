"""Takes a check over its cycles: cold starts, positions, or simply again and again.

1. Each cycle is journalled where it begins and where it ends; one that has ended is never taken again.
2. Before a cycle the technician does what the suite says; the unit may go away meanwhile and is reached anew.
3. A cycle that the bench spoilt proves nothing: it is taken again, from what the technician does on, up to
   `MOST_TRIES` times in all.
4. The rest is left out after a cycle that could not be taken, and after a fail where the suite says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from verifier.declare.suite import Check
from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.state import RunState, to_json
from verifier.readings import Attempt, Cycle, Finding, Verdict

MOST_TRIES = 3
"""How many times one cycle is taken at the most where the bench fails."""


class CycleBench(Protocol):
    """What the engine does for a cycle."""

    state: RunState

    def append(self, kind: str, data: Mapping[str, Any]) -> None: ...

    async def by_hand(self, check: Check, number: int, act: str) -> None:
        """Have the technician do something to the unit, and reach it anew where that switches it off and on."""
        ...

    async def take_once(self, check: Check, number: int) -> Finding:
        """Take and judge one cycle."""
        ...

    def judged(self, check: Check, first_take: int) -> Finding:
        """What the takes from that one on are worth."""
        ...

    def unjudged(self, check: Check, error: Absent | NotPossible | BenchFault) -> Finding:
        """The finding where no reading was to be had."""
        ...

    def cycle_ended(self, check: Check, number: int, finding: Finding) -> None:
        """Show it."""
        ...


async def take_cycles(bench: CycleBench, check: Check) -> tuple[Cycle, ...] | Finding:
    """Take every cycle that is still to be taken. Gives all that count; a finding where nothing is fitted."""
    assert check.cycles is not None  # noqa: S101 - the engine asks
    while True:
        attempt = _open(bench, check)
        counted = attempt.counting_cycles
        if len(counted) == check.cycles.number or (counted and _ends_it(check, counted[-1].finding)):
            return counted
        number = len(counted) + 1
        finding = await _cycle(bench, check, attempt, number)
        if finding.not_fitted:
            return finding
        tries = 1 + sum(c.number == number and c.finding is not None for c in _open(bench, check).cycles)
        again = finding.verdict is Verdict.BENCH_ERROR and tries < MOST_TRIES
        ended = {"check": check.id, "finding": to_json(finding)}
        bench.append("cycle-ended", {**ended, "set_aside": "the bench failed: taken again"} if again else ended)
        bench.cycle_ended(check, number, finding)


async def _cycle(bench: CycleBench, check: Check, attempt: Attempt, number: int) -> Finding:
    cycles = check.cycles
    assert cycles is not None  # noqa: S101 - as above
    left = attempt.cycles[-1] if attempt.cycles and attempt.cycles[-1].finding is None else None
    taken = len(attempt.takes) - left.first_take if left else 0
    if left and check.prompt and taken == check.takes and len(attempt.answers) == len(attempt.takes):
        # Killed between the answer and its finding: the person is not asked twice.
        return bench.judged(check, left.first_take)
    if left is None or taken:
        # Else it was left while the technician was at it, and may be done by now.
        bench.append("cycle-began", {"check": check.id, "number": number, "position": cycles.position(number)})
        left = None
    act = cycles.act(number, first=len(_open(bench, check).cycles) == 1)
    if act and left:
        act = f"You were asked this before the pause. Do it now unless it is done already.\n{act}"
    try:
        if act:
            await bench.by_hand(check, number, act)
        return await bench.take_once(check, number)
    except (Absent, NotPossible, BenchFault) as error:
        return bench.unjudged(check, error)


def _open(bench: CycleBench, check: Check) -> Attempt:
    attempt = bench.state.open_attempt(check.id)
    assert attempt is not None  # noqa: S101 - the engine has begun it
    return attempt


def _ends_it(check: Check, finding: Finding | None) -> bool:
    """Whether no more cycles are taken after this one."""
    verdict = finding.verdict if finding else None
    if verdict is Verdict.FAIL:
        return check.quarantines or (check.cycles is not None and check.cycles.stop == "first-fail")
    return verdict in (Verdict.BENCH_ERROR, Verdict.NOT_RUN)
