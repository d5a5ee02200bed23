"""What the review before sealing tells one by one, and what together: a dead unit must not hide its fail."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from verifier.commands.desk import Desk, _told_together
from verifier.readings import Attempt, Finding, Moment, Stage, Verdict

DEAD = Finding(verdict=Verdict.NOT_RUN, reason="the unit does not start: “Lamp” failed")
NEVER = Moment(wall="", boot="", boot_id="")


def state_of(*findings: Finding) -> Any:
    """As much of a run's state as the list of findings looks at."""
    checks = [SimpleNamespace(id=f"c-{n}", covers=()) for n in range(len(findings))]
    attempts = {
        check.id: Attempt(check=check.id, stage=Stage.CLOSED, began=NEVER, host="", finding=finding)
        for check, finding in zip(checks, findings, strict=True)
    }
    suite = SimpleNamespace(checks=checks, joints={}, parts={})
    return SimpleNamespace(
        plan=SimpleNamespace(suite=suite, disturbed=()),
        counting=attempts.get,
        counting_attempts=lambda: attempts,
    )


def lines_of(state: Any) -> list[str]:
    return [" ".join(line.split()) for line in Desk._wanting(None, state)]  # type: ignore[arg-type]


def test_dozens_for_one_reason_are_told_together_and_what_has_advice_is_not() -> None:
    advised = Finding(verdict=Verdict.NOT_RUN, reason=DEAD.reason, to_do="Look at the fuse.")
    missed = Finding(verdict=Verdict.INCONCLUSIVE, reason="too close")
    state = state_of(*[DEAD] * 30, advised, missed)
    assert _told_together(state) == {DEAD.reason: 30}
    assert lines_of(state) == [f"not-run c-30: {DEAD.reason}. Look at the fuse.", "inconclusive c-31: too close"]


def test_a_handful_is_told_one_by_one_and_what_nobody_misses_never_is() -> None:
    spared = Finding(verdict=Verdict.NOT_RUN, reason="no meter", to_do="Describe one.", not_needed=True)
    state = state_of(*[DEAD] * 4, spared)
    assert _told_together(state) == {"not needed, or not fitted": 1}
    assert lines_of(state) == [f"not-run c-{n}: {DEAD.reason}" for n in range(4)]
