"""What conditions leave of a verdict, and when a check has enough to end early."""

from __future__ import annotations

from statistics import NormalDist
from typing import Any

import pytest

from verifier.declare.suite import Check, Decision
from verifier.judge import DecidedEarly, SuiteJudge
from verifier.readings import Basis, Conditions, Contribution, Reading, Verdict

JUDGE = SuiteJudge(Decision(max_false_accept=0.025))


def check(**more: Any) -> Check:
    limits = [{"reading": "rise", "at_most": 45, "unit": "K", "source": "test"}]
    return Check.model_validate({"id": "heat", "title": "Heat", "probe": "thermal.step", "limits": limits, **more})


def rise(value: float, u: float = 1.0, **conditions: Any) -> Reading:
    return Reading(
        name="rise",
        value=value,
        unit="K",
        contributions=(Contribution(basis=Basis.STUDY, u=u),),
        conditions=Conditions(**conditions),
    )


@pytest.mark.parametrize("looks", [1, 10])
def test_looks_share_the_risk(looks: int) -> None:
    """One-sided acceptance limit T - k u with k the quantile of 1 - R/K (JCGM 106, 8.3; Bonferroni, K looks)."""
    (held,) = JUDGE(check(), [[rise(30, looks=looks)]]).held
    assert held.accept_to == pytest.approx(45 - NormalDist().inv_cdf(1 - 0.025 / looks))
    assert held.looks == looks


def test_the_last_look_has_no_more_risk_than_the_first() -> None:
    """2.2 standard uncertainties below the limit are enough for a value looked at once, not for ten looks."""
    assert JUDGE(check(), [[rise(42.8)]]).verdict is Verdict.PASS
    assert JUDGE(check(), [[rise(42.8, looks=10)]]).verdict is Verdict.INCONCLUSIVE
    assert JUDGE(check(), [[rise(47.2)]]).verdict is Verdict.FAIL
    assert JUDGE(check(), [[rise(47.2, looks=10)]]).verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize(("value", "enough"), [(30, True), (44, False), (46, False), (60, True)])
def test_enough_is_what_the_judge_would_pass_or_fail(value: float, enough: bool) -> None:
    assert DecidedEarly(JUDGE)(check(), [rise(value, looks=10)]) is enough


def test_what_has_no_limits_is_never_enough() -> None:
    assert not DecidedEarly(JUDGE)(check(limits=[]), [rise(30, looks=10)])


@pytest.mark.parametrize("value", [30.0, 60.0])
def test_a_value_in_doubt_decides_nothing_and_says_why(value: float) -> None:
    finding = JUDGE(check(), [[rise(value, doubt="the load did not hold")]])
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert "the load did not hold" in finding.reason


@pytest.mark.parametrize("value", [30.0, 72.0])
def test_a_value_broken_off_at_a_ceiling_fails_an_upper_limit(value: float) -> None:
    finding = JUDGE(check(), [[rise(value, at_least=True, remark="its ceiling ended the load")]])
    assert finding.verdict is Verdict.FAIL
    assert finding.reason.startswith("at least ") and finding.reason.endswith(": its ceiling ended the load")
    assert finding.held[0].at_least


def test_a_value_broken_off_may_still_pass_a_lower_limit() -> None:
    limits = [{"reading": "rise", "at_least": 10, "unit": "K", "source": "test"}]
    assert JUDGE(check(limits=limits), [[rise(30, at_least=True)]]).verdict is Verdict.PASS


def test_a_value_broken_off_below_a_lower_limit_is_undecided() -> None:
    """The true value is this or more, and that may be enough."""
    limits = [{"reading": "rise", "at_least": 50, "unit": "K", "source": "test"}]
    finding = JUDGE(check(limits=limits), [[rise(30, at_least=True)]])
    assert finding.verdict is Verdict.INCONCLUSIVE and "how much more" in finding.reason


def test_doubt_and_looks_reach_what_is_computed_and_pooled() -> None:
    limits = [{"reading": "twice", "at_most": 90, "unit": "K", "source": "test"}]
    made = check(limits=limits, compute={"twice": "2 * rise"})
    (held,) = JUDGE(made, [[rise(30, looks=10)]]).held
    assert held.looks == 10
    assert JUDGE(made, [[rise(30, doubt="a fan started")]]).verdict is Verdict.INCONCLUSIVE
    assert JUDGE(made, [[rise(30, at_least=True)]]).verdict is Verdict.INCONCLUSIVE
    pooled = check(repeat={"times": 2, "pool": "mean"})
    assert JUDGE(pooled, [[rise(30)], [rise(31, doubt="a fan started")]]).verdict is Verdict.INCONCLUSIVE
