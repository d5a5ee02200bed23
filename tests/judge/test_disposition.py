"""The disposition of the whole unit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.declare.order import RepairOrder
from verifier.declare.plan import Plan
from verifier.declare.suite import Suite
from verifier.judge import outcome
from verifier.judge.disposition import risk_bound
from verifier.readings import Answer, Attempt, Disposition, Finding, Held, Moment, Outcome, Person, Stage, Verdict

NOW = Moment(wall="2026-11-25T10:15:12.000Z", boot="1.000000", boot_id="b")
LIMITS = [{"reading": "a", "at_most": 1, "unit": "K", "source": "maker"}]


def check(id_: str, **keys: object) -> dict[str, object]:
    return {"id": id_, "title": id_.capitalize(), "probe": "p", "limits": LIMITS, **keys}


def eye(id_: str, **keys: object) -> dict[str, object]:
    limits = [{"reading": "confirm", "is": True}]
    return {"id": id_, "title": id_.capitalize(), "prompt": "confirm", "say": "?", "limits": limits, **keys}


def plan(
    *checks: dict[str, object], disturbed: tuple[str, ...] = (), joints: tuple[str, ...] = ("socket", "lead")
) -> Plan:
    suite = Suite.model_validate({
        "schema": 1, "model": "m", "title": "M", "revision": 1, "checks": checks,
        "joints": {j: {"title": f"The {j}"} for j in joints},
    })  # fmt: skip
    return Plan(suite=suite, suite_text="", suite_sha256="0" * 64, order=RepairOrder(), disturbed=disturbed)


def ended(verdict: Verdict | None, reason: str = "", *, memory: bool = False, **keys: object) -> Attempt:
    answer = Answer(kind="confirm", shown="?", value=True, by=Person(name="T04"), from_memory=memory)
    return Attempt(
        check="", stage=Stage.CLOSED, began=NOW, answers=(answer,),
        finding=Finding(verdict=verdict, reason=reason, **keys),  # type: ignore[arg-type]
    )  # fmt: skip


def decided(made: Plan, attempts: dict[str, Attempt], waived: tuple[str, ...] = ()) -> tuple[Disposition, str]:
    found = outcome(made, attempts, waived)
    return found.disposition, found.reason


PASSED = ended(Verdict.PASS)


def test_all_passed_is_release() -> None:
    made = plan(check("one", covers=["socket"]), check("two"), disturbed=("socket",))
    assert decided(made, {"one": PASSED, "two": PASSED}) == (
        Disposition.RELEASE,
        "2 checks passed; every disturbed joint is proved",
    )


def test_a_suite_without_a_judged_check_never_releases() -> None:
    assert decided(plan(), {})[0] is Disposition.HOLD
    disposition, reason = decided(plan(check("one", limits=[])), {"one": ended(None)})
    assert (disposition, reason) == (Disposition.HOLD, "no check with limits has passed")


def test_a_failed_required_check_is_rework_whatever_else_is_open() -> None:
    made = plan(check("port-2"), check("two"), check("three"))
    attempts = {
        "port-2": ended(Verdict.FAIL, "480 Mbit/s, at least 5000 Mbit/s"),
        "two": ended(Verdict.BENCH_ERROR),
    }
    assert decided(made, attempts) == (
        Disposition.REWORK,
        "“Port-2” failed: 480 Mbit/s, at least 5000 Mbit/s",
    )


@pytest.mark.parametrize("attempt, words", [
    (ended(Verdict.BENCH_ERROR, "the probe crashed."),
     "“Two” could not be measured, because the bench failed: the probe crashed"),
    (ended(Verdict.INCONCLUSIVE, "needs u below 0.9 K"), "“Two” could not be decided: needs u below 0.9 K"),
    (ended(Verdict.NOT_RUN, "needs root"), "“Two” was not run: needs root"),
    (None, "“Two” has not been made"),
    (Attempt(check="two", stage=Stage.CLOSED, began=NOW), "“Two” has not been made"),
])  # fmt: skip
def test_what_is_open_holds_with_its_reason(attempt: Attempt | None, words: str) -> None:
    attempts = {"one": PASSED} | ({"two": attempt} if attempt else {})
    assert decided(plan(check("one"), check("two")), attempts) == (Disposition.HOLD, words)


@pytest.mark.parametrize(
    "verdict", [Verdict.FAIL, Verdict.BENCH_ERROR, Verdict.NOT_RUN, Verdict.INCONCLUSIVE, None]
)
def test_what_is_not_required_never_blocks(verdict: Verdict | None) -> None:
    made = plan(check("one"), check("two", required=False))
    attempts = {"one": PASSED} | ({"two": ended(verdict)} if verdict else {})
    disposition, reason = decided(made, attempts)
    assert disposition is Disposition.RELEASE
    assert ("not required and failed: Two" in reason) == (verdict is Verdict.FAIL)


def test_not_fitted_is_not_required_and_proves_nothing() -> None:
    absent = ended(Verdict.NOT_RUN, "not fitted", absent=True, not_fitted=True)
    assert decided(plan(check("one"), check("two")), {"one": PASSED, "two": absent})[0] is Disposition.RELEASE
    made = plan(check("one"), check("two", covers=["lead"]), disturbed=("lead",))
    assert decided(made, {"one": PASSED, "two": absent}) == (Disposition.HOLD, "nothing proves The lead")


def test_absent_hardware_that_should_be_there_is_rework() -> None:
    absent = ended(Verdict.FAIL, "no such port", absent=True)
    assert decided(plan(check("one")), {"one": absent}) == (Disposition.REWORK, "“One” failed: no such port")


def test_a_required_check_without_limits_must_have_been_taken() -> None:
    made = plan(check("one"), check("two", limits=[]))
    assert decided(made, {"one": PASSED})[0] is Disposition.HOLD
    assert decided(made, {"one": PASSED, "two": ended(None)})[0] is Disposition.RELEASE


def test_the_finished_stage_has_to_be_done() -> None:
    made = plan(check("one"), eye("label", stage="finished", required=False))
    assert decided(made, {"one": PASSED}) == (Disposition.HOLD, "the finished stage has not been done")
    assert decided(made, {"one": PASSED, "label": ended(Verdict.NOT_RUN)})[0] is Disposition.RELEASE
    made = plan(check("one"), eye("label", stage="finished"))
    assert decided(made, {"one": PASSED}) == (Disposition.HOLD, "“Label” has not been made")


def coverage(found: Outcome, joint: str) -> str:
    return next(j.coverage for j in found.joints if j.joint == joint)


@pytest.mark.parametrize("checks, attempts, waived, kind, disposition", [
    ([check("a", covers=["lead"])], {"a": PASSED}, (), "measured", Disposition.RELEASE),
    ([eye("a", covers=["lead"])], {"a": PASSED}, (), "by-eye", Disposition.RELEASE),
    ([eye("a", covers=["lead"]), check("b", covers=["lead"])], {"a": PASSED, "b": PASSED}, (), "measured",
     Disposition.RELEASE),
    ([check("a")], {"a": PASSED}, (), "not-covered", Disposition.HOLD),
    ([check("a")], {"a": PASSED}, ("lead",), "waived", Disposition.RELEASE),
    ([check("a", covers=["lead"])], {"a": PASSED}, ("lead",), "measured", Disposition.RELEASE),
    ([check("a"), eye("b", covers=["lead"], stage="open")],
     {"a": PASSED, "b": ended(Verdict.PASS, memory=True)}, (),
     "not-covered", Disposition.HOLD),
    ([check("a"), check("b", covers=["lead"], stage="arrival")], {"a": PASSED, "b": PASSED}, (), "not-covered",
     Disposition.HOLD),
    ([check("a"), check("b", covers=["lead"], limits=[])], {"a": PASSED, "b": ended(None)}, (), "not-covered",
     Disposition.HOLD),
    ([check("a"), check("b", covers=["lead"], required=False)],
     {"a": PASSED, "b": ended(Verdict.INCONCLUSIVE)}, (),
     "not-covered", Disposition.HOLD),
])  # fmt: skip
def test_a_disturbed_joint_needs_proof_or_a_waiver(
    checks: list[dict[str, object]],
    attempts: dict[str, Attempt],
    waived: tuple[str, ...],
    kind: str,
    disposition: Disposition,
) -> None:
    found = outcome(plan(*checks, disturbed=("lead",)), attempts, waived)
    assert (coverage(found, "lead"), found.disposition) == (kind, disposition)
    assert coverage(found, "socket") == "not-covered"
    assert [j.joint for j in found.joints if j.disturbed] == ["lead"]


def test_a_waiver_is_named_on_release() -> None:
    made = plan(check("a"), disturbed=("lead",))
    assert decided(made, {"a": PASSED}, ("lead",)) == (Disposition.RELEASE, "1 check passed; waived: The lead")


def test_long_lists_are_counted() -> None:
    made = plan(*(check(f"c{n}") for n in range(7)))
    _, reason = decided(made, {f"c{n}": ended(Verdict.FAIL, "x" * 5000) for n in range(7)})
    assert reason.endswith("; and 4 more")
    assert len(reason) < 1000


def held(verdict: Verdict = Verdict.PASS, rule: str = "guarded", distribution: str = "normal") -> Held:
    return Held(reading="a", verdict=verdict, limit="", source="", rule=rule, distribution=distribution)  # type: ignore[arg-type]


def test_sixty_findings_at_two_and_a_half_percent_may_reach_78_percent() -> None:
    """1 − 0.975^60 = 0.7811, recomputed by hand."""
    findings = [Finding(verdict=Verdict.PASS, held=(held(),)) for _ in range(60)]
    assert risk_bound(findings, 0.025) == pytest.approx(0.7811, abs=5e-5)
    others = (held(Verdict.FAIL), held(rule="simple"), held(rule="exact"), held(distribution="none"))
    assert risk_bound([Finding(verdict=Verdict.FAIL, held=others)], 0.025) is None


verdicts = st.sampled_from([None, *Verdict])


@given(st.lists(st.tuples(verdicts, st.booleans(), st.booleans()), max_size=6), st.booleans())
def test_release_only_with_every_required_check_passed(
    made: list[tuple[Verdict | None, bool, bool]], disturbed: bool
) -> None:
    checks = [check(f"c{n}", required=required, covers=["lead"]) for n, (_, required, _) in enumerate(made)]
    attempts = {f"c{n}": ended(verdict) for n, (verdict, _, taken) in enumerate(made) if taken}
    found = outcome(plan(*checks, disturbed=("lead",) if disturbed else ()), attempts, ())
    required = [attempts.get(str(c["id"])) for c in checks if c["required"]]
    failed = any(a is not None and a.finding is not None and a.finding.verdict is Verdict.FAIL for a in required)
    assert (found.disposition is Disposition.REWORK) == failed
    if found.disposition is Disposition.RELEASE:
        assert all(a is not None and a.finding is not None for a in required)
        assert any(a.finding is not None and a.finding.verdict is Verdict.PASS for a in attempts.values())
        assert not disturbed or coverage(found, "lead") == "measured"
    assert found.reason
