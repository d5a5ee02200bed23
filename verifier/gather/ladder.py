"""The ladder for units that do not start, climbed first and alone: the rules that the engine keeps.

1. It is climbed where the order's complaint says one of its phrases; else its rungs are not run, and not missed.
2. Each rung waits for the one before it, and every other check waits for all of them, but for inspections at
   arrival that can quarantine the unit: those come before whatever energises it, rungs too.
3. A rung that fails ends the run: it says where to look, and nothing else is made. A rung that could not be
   made or decided ends nothing, since it does not show a dead unit.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from verifier.declare.ladder import ladder_for, rung_of
from verifier.declare.suite import Check, Rung
from verifier.gather.state import RunState
from verifier.readings import Finding, Stage, Verdict


def failed_rung(state: RunState) -> Rung | None:
    """The rung at which the unit proved dead; None while none did."""
    ladder = ladder_for(state.plan.suite, state.plan.order)
    return next((rung for rung in ladder.rungs if _verdict(state, rung) is Verdict.FAIL), None) if ladder else None


def rungs_left(state: RunState) -> list[Check]:
    """Rungs that this repair still has to climb."""
    ladder = ladder_for(state.plan.suite, state.plan.order)
    left = {rung.check for rung in ladder.rungs if state.counting(rung.check) is None} if ladder else set()
    return [check for check in state.plan.suite.checks if check.id in left]


def held_by_ladder(state: RunState, check: Check) -> Finding | Literal[False] | None:
    """The finding of a check that the ladder rules out; None while it has to wait for the ladder; else False."""
    suite = state.plan.suite
    if suite.ladder is None or (check.quarantines and check.stage is Stage.ARRIVAL):
        return False
    ladder, own = ladder_for(suite, state.plan.order), rung_of(suite, check.id)
    if ladder is None:
        if own is None:
            return False
        reason = "not needed: the complaint is not that the unit does not start"
        return Finding(verdict=Verdict.NOT_RUN, reason=reason, not_needed=True)
    for rung in ladder.rungs:
        if rung == own:
            return False
        verdict = _verdict(state, rung)
        if verdict == "waiting":
            return None
        if verdict is Verdict.FAIL:
            reason = f"the unit does not start: “{suite.check(rung.check).title}” failed"
            return Finding(verdict=Verdict.NOT_RUN, reason=reason)
    return False


def where_to_look(state: RunState, check: Check, finding: Finding) -> Finding:
    """The finding of a rung that failed says where to look."""
    rung = rung_of(state.plan.suite, check.id)
    if rung is None or finding.verdict is not Verdict.FAIL:
        return finding
    said = finding.reason.strip().rstrip(".")
    return replace(finding, reason=f"{said}. Look at {rung.look}" if said else f"Look at {rung.look}")


def _verdict(state: RunState, rung: Rung) -> Verdict | Literal["waiting"] | None:
    attempt = state.counting(rung.check)
    return "waiting" if attempt is None or attempt.finding is None else attempt.finding.verdict
