"""The disposition of the whole unit: release, rework or hold, with its reason.

0. `hold: quarantined` when a check that quarantines has failed, whatever became of it since. The reason then
   begins with what to do.
1. `rework` when any required check failed.
2. Else `hold` when a required check is inconclusive, not run, spoilt by the bench or not made; when the suite has
   a `finished` stage and it was not done; when a disturbed joint is proved by nothing and not waived; or when no
   check with limits has passed at all.
3. Else `release`.

A check whose hardware is not fitted is not required any more, nor is one that is not needed: a rung of a ladder
that was not called for; one side of a check and those that stand in for it.
A required check without limits must have been taken, no more. What is not required never blocks.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from verifier.declare.coverage import by_eye_only
from verifier.declare.plan import Plan
from verifier.declare.suite import Check
from verifier.readings import Attempt, Disposition, Finding, JointCoverage, Outcome, Stage, Verdict

MOST_NAMED = 3
"""How many checks a reason names before it counts the rest."""
QUARANTINE = (
    "do not charge, load or heat this unit, and do not work on it; keep it apart, and follow the maker's service "
    "guide and the local rules for damaged lithium cells"
)
"""What to do with a quarantined unit: the first thing that report and screen say."""
LONGEST_TOLD = 200
"""Characters of the first check's reason within the sentence."""
LONGEST_BESIDE = 60
"""Characters of the reason of each further one."""

_STANDING = {
    Verdict.BENCH_ERROR: "could not be measured, because the bench failed",
    Verdict.INCONCLUSIVE: "could not be decided",
    Verdict.NOT_RUN: "was not run",
}


def outcome(
    plan: Plan, attempts: Mapping[str, Attempt], waived: Collection[str], quarantined: Attempt | None = None
) -> Outcome:
    """The disposition from the attempts that count, by check id; checks never taken are absent from it.

    `waived` names the joints that a person released unproved, `quarantined` is the attempt that quarantined the
    unit. An attempt without a finding was interrupted and counts as not made.
    """
    findings = {id_: a.finding for id_, a in attempts.items() if a.finding is not None}
    joints = _joints(plan, attempts, waived)
    failed: list[str] = []
    standing: list[str] = []
    for check in plan.suite.checks:
        finding = findings.get(check.id)
        if not check.required or (finding is not None and (finding.not_fitted or finding.not_needed)):
            continue
        if finding is None:
            standing.append(f"“{check.title}” has not been made")
        elif finding.verdict is Verdict.FAIL:
            failed.append(_told(f"“{check.title}” failed", finding, first=not failed))
        elif finding.verdict in _STANDING:
            standing.append(_told(f"“{check.title}” {_STANDING[finding.verdict]}", finding, first=not standing))
    standing += _unfinished(plan, findings)
    standing += [f"nothing proves {j.title}" for j in joints if j.disturbed and j.coverage == "not-covered"]
    passed = sum(f.verdict is Verdict.PASS for f in findings.values())
    if not passed:
        standing.append("no check with limits has passed")
    if quarantined is not None:
        disposition, reason = Disposition.QUARANTINED, _quarantined(plan, quarantined)
    elif failed:
        disposition, reason = Disposition.REWORK, _sentence(failed)
    elif standing:
        disposition, reason = Disposition.HOLD, _sentence(standing)
    else:
        disposition, reason = Disposition.RELEASE, _released(plan, findings, joints, passed)
    risk = risk_bound(findings.values(), plan.suite.decision.max_false_accept)
    return Outcome(disposition=disposition, reason=reason, risk_bound=risk, joints=joints)


def _quarantined(plan: Plan, attempt: Attempt) -> str:
    told = f"“{plan.suite.check(attempt.check).title}” failed"
    if attempt.finding is not None:
        told = _told(told, attempt.finding, first=True)
    if attempt.set_aside:
        told += f" ({attempt.set_aside}; that does not lift the quarantine)"
    return f"{QUARANTINE}. {told}"


def risk_bound(findings: Collection[Finding], risk: float) -> float | None:
    """Chance that at least one pass is wrong if each stands right at its acceptance limit: 1 − (1 − R)^n.

    n counts the guarded passes, each judged by itself (60 at 2.5 % make 78 %). None where there are none.
    """
    n = sum(
        held.verdict is Verdict.PASS and held.rule == "guarded" and held.distribution != "none"
        for finding in findings
        for held in finding.held
    )
    return 1 - (1 - risk) ** n if n else None


def _unfinished(plan: Plan, findings: Mapping[str, Finding]) -> list[str]:
    """The finished stage has to be gone through, even where nothing in it is required."""
    last = [check for check in plan.suite.checks if check.stage is Stage.FINISHED]
    if last and not any(check.required for check in last) and not any(check.id in findings for check in last):
        return ["the finished stage has not been done"]
    return []  # a required check that was not made has been named already


def _joints(plan: Plan, attempts: Mapping[str, Attempt], waived: Collection[str]) -> tuple[JointCoverage, ...]:
    proving: dict[str, list[Check]] = {joint: [] for joint in plan.suite.joints}
    for check in plan.suite.checks:
        attempt = attempts.get(check.id)
        if attempt is None or not _proves(attempt):
            continue
        for joint in check.covers:
            # What was seen at arrival says nothing of a joint that was taken apart since.
            if joint in proving and not (check.stage is Stage.ARRIVAL and joint in plan.disturbed):
                proving[joint].append(check)
    covered = []
    for joint, checks in proving.items():
        if any(not by_eye_only(check) for check in checks):
            kind = "measured"
        else:
            kind = "by-eye" if checks else "waived" if joint in waived else "not-covered"
        covered.append(
            JointCoverage(
                joint=joint,
                title=plan.suite.joints[joint].title,
                disturbed=joint in plan.disturbed,
                coverage=kind,  # type: ignore[arg-type]
                checks=tuple(check.id for check in checks),
            )
        )
    return tuple(covered)


def _proves(attempt: Attempt) -> bool:
    """A judged pass, and no answer given after the thing asked about was covered up."""
    passed = attempt.finding is not None and attempt.finding.verdict is Verdict.PASS
    return passed and not any(answer.from_memory for answer in attempt.answers)


def _told(what: str, finding: Finding, *, first: bool) -> str:
    """What happened and why; behind the first, a long reason is left to the findings: a heading is no list."""
    reason = finding.reason.strip().rstrip(".")
    if not first and len(reason) > LONGEST_BESIDE:
        reason = ""
    if len(reason) > LONGEST_TOLD:
        reason = reason[: LONGEST_TOLD - 1] + "…"
    return f"{what}: {reason}" if reason else what


def _sentence(parts: list[str]) -> str:
    shown = "; ".join(parts[:MOST_NAMED])
    return f"{shown}; and {len(parts) - MOST_NAMED} more" if len(parts) > MOST_NAMED else shown


def _released(plan: Plan, findings: Mapping[str, Finding], joints: tuple[JointCoverage, ...], passed: int) -> str:
    parts = ["1 check passed" if passed == 1 else f"{passed} checks passed"]
    disturbed = [j for j in joints if j.disturbed]
    by_hand = [j.title for j in disturbed if j.coverage == "waived"]
    if disturbed and not by_hand:
        parts.append("every disturbed joint is proved")
    if by_hand:
        parts.append(f"waived: {', '.join(by_hand[:MOST_NAMED])}" + (" and more" if by_hand[MOST_NAMED:] else ""))
    aside = [c.title for c in plan.suite.checks if not c.required and _failed(findings.get(c.id))]
    if aside:
        parts.append(f"not required and failed: {', '.join(aside[:MOST_NAMED])}")
    return "; ".join(parts)


def _failed(finding: Finding | None) -> bool:
    return finding is not None and finding.verdict is Verdict.FAIL
