"""The decision rule against published values and against scipy.stats as an independent reference."""

import math
from typing import Any

import pytest
import scipy.optimize
import scipy.stats
from hypothesis import assume, given
from hypothesis import strategies as st

from verifier.declare.decidable import largest_deciding_u, two_sided_is_empty
from verifier.judge import decision
from verifier.judge.distributions import Distribution, normal_or_t, rectangular, rectangular_normal
from verifier.readings import Verdict

RISK = 0.025

us = st.floats(0.05, 20)
dofs = st.none() | st.floats(1.0, 200)
risks = st.floats(0.001, 0.3)


def reference(u: float, dof: float | None) -> Any:
    return scipy.stats.norm(scale=u) if dof is None else scipy.stats.t(dof, scale=u)


def reference_pc(y: float, lower: float, upper: float, u: float, dof: float | None) -> float:
    f = reference(u, dof).cdf
    return float(f(upper - y) - f(lower - y))


@pytest.mark.parametrize(
    "y, lower, upper, u, published", [(-5.47, None, -5.40, 0.05, 0.92), (509.7, 490, None, 8.6, 0.99)]
)
def test_conformance_probabilities_of_jcgm_106(
    y: float, lower: float | None, upper: float | None, u: float, published: float
) -> None:
    """JCGM 106:2012, 7: Zener breakdown voltage at most −5.40 V; bottle at least 490 kPa (from memory)."""
    assert round(decision.conformance(y, lower, upper, normal_or_t(u, None)), 2) == published


@pytest.mark.parametrize("r, text", [(0.0, 0.5), (0.83, 0.05), (1.0, 0.025)])
def test_false_accept_at_the_acceptance_limit_of_ilac_g8(r: float, text: float) -> None:
    """ILAC-G8:09/2019, 4.2 and table 1: w = r U, U = 2u: up to 50 %, below 5 %, below 2.5 %."""
    u, upper = 1.0, 10.0
    false_accept = 1 - decision.conformance(upper - r * 2 * u, None, upper, normal_or_t(u, None))
    assert false_accept <= text
    assert false_accept > 0.9 * text


def test_guard_band_of_iso_14253_1() -> None:
    """ISO 14253-1:2017 (from memory): 95 % one-sided is a guard band of 0.83 U, 1.645/2 = 0.8224."""
    decided = decision.guarded(0.0, None, 10.0, normal_or_t(1.0, None), 0.05, 0.05)
    assert decided.guard_band is not None
    assert decided.guard_band / 2 == pytest.approx(0.8224, abs=5e-5)


def test_iso_14253_1_neither_accepts_nor_rejects_within_the_uncertainty() -> None:
    """ISO 14253-1 (from memory): accept in the reduced, reject outside the enlarged zone; else neither."""
    verdicts = [
        decision.guarded(y, 0.0, 10.0, normal_or_t(0.5, None), 0.05, 0.05).verdict
        for y in (-0.83, -0.82, 0.82, 0.83, 9.17, 9.18, 10.82, 10.83)
    ]
    f, i, p = Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS
    assert verdicts == [f, i, i, p, p, i, i, f]


CHECK_TABLE = [
    (1, 2, 105.4925, 105.6973, 0.9730, 114.2256, 0.9901),
    (2, 2, None, 101.3947, 0.9603, 118.1720, 0.9623),
    (3, 5, 101.6187, 102.2883, 0.9703, 117.6994, 0.9793),
    (4, None, 102.0711, 102.1601, 0.9738, 117.8399, 0.9876),
    (4.4, None, 100.7418, 101.3762, 0.9701, 118.6238, 0.9770),
]


@pytest.mark.parametrize("u, dof, accept, naive, naive_pc, fail_above, centre_pc", CHECK_TABLE)
def test_check_table_limits_90_to_110(
    u: float,
    dof: float | None,
    accept: float | None,
    naive: float,
    naive_pc: float,
    fail_above: float,
    centre_pc: float,
) -> None:
    """Recomputed with scipy.stats and scipy.optimize, then ours against it; figures to four decimals."""
    f = reference(u, dof)
    assert 110 - f.ppf(1 - RISK) == pytest.approx(naive, abs=5e-5)
    assert reference_pc(naive, 90, 110, u, dof) == pytest.approx(naive_pc, abs=5e-5)
    assert reference_pc(100, 90, 110, u, dof) == pytest.approx(centre_pc, abs=5e-5)
    gap = lambda y: reference_pc(y, 90, 110, u, dof) - (1 - RISK)  # noqa: E731
    solved = scipy.optimize.brentq(gap, 100, 110, xtol=1e-12) if gap(100) >= 0 else None
    assert solved == (None if accept is None else pytest.approx(accept, abs=5e-5))

    ours = normal_or_t(u, dof)
    limits = decision.acceptance_limits(90, 110, ours, RISK)
    if solved is None:
        assert limits is None
    else:
        assert limits == (pytest.approx(200 - solved, abs=1e-7), pytest.approx(solved, abs=1e-7))
        assert _verdict(solved - 1e-6, ours) is Verdict.PASS
        assert _verdict(solved + 1e-6, ours) is Verdict.INCONCLUSIVE
    assert decision.conformance(100, 90, 110, ours) == pytest.approx(centre_pc, abs=5e-5)
    assert _verdict(fail_above - 1e-4, ours) is Verdict.INCONCLUSIVE
    assert _verdict(fail_above + 1e-4, ours) is Verdict.FAIL


def _verdict(y: float, distribution: Distribution) -> Verdict:
    return decision.guarded(y, 90, 110, distribution, RISK, RISK).verdict


@given(st.floats(-30, 30), us, dofs)
def test_conformance_is_that_of_scipy(y: float, u: float, dof: float | None) -> None:
    """JCGM 106, 7.4, recomputed with scipy.stats."""
    ours = normal_or_t(u, dof)
    assert decision.conformance(y, -5, 5, ours) == pytest.approx(reference_pc(y, -5, 5, u, dof), abs=1e-10)
    assert decision.conformance(y, None, 5, ours) == pytest.approx(reference(u, dof).cdf(5 - y), abs=1e-10)
    assert decision.conformance(y, -5, None, ours) == pytest.approx(reference(u, dof).sf(-5 - y), abs=1e-10)


@given(us, dofs, risks)
def test_acceptance_limits_stand_where_pc_is_one_minus_r(u: float, dof: float | None, risk: float) -> None:
    """Held against scipy.stats, one- and two-sided; empty exactly where even the middle falls short."""
    limits = decision.acceptance_limits(-5, 5, normal_or_t(u, dof), risk)
    if limits is None:
        assert reference_pc(0, -5, 5, u, dof) < 1 - risk + 1e-9
    else:
        low, high = limits
        assert low is not None and high is not None
        assert reference_pc(high, -5, 5, u, dof) == pytest.approx(1 - risk, abs=1e-7)
        assert reference_pc(low, -5, 5, u, dof) == pytest.approx(1 - risk, abs=1e-7)
    _, upper = decision.acceptance_limits(None, 5, normal_or_t(u, dof), risk) or (None, None)
    lower, _ = decision.acceptance_limits(-5, None, normal_or_t(u, dof), risk) or (None, None)
    assert upper is not None and lower is not None
    assert reference(u, dof).cdf(5 - upper) == pytest.approx(1 - risk, abs=1e-7)
    assert reference(u, dof).sf(-5 - lower) == pytest.approx(1 - risk, abs=1e-7)


shapes = st.one_of(
    st.builds(normal_or_t, us, dofs),
    st.builds(rectangular, us),
    st.builds(rectangular_normal, us, st.floats(0.01, 10)),
)
sides = st.sampled_from([(-5.0, 5.0), (None, 5.0), (-5.0, None)])


@given(st.floats(-30, 30), sides, shapes, risks, risks)
def test_verdict_agrees_with_acceptance_limits(
    y: float, side: tuple[float | None, float | None], shape: Distribution, risk: float, reject: float
) -> None:
    decided = decision.guarded(y, *side, shape, risk, reject)
    low = -math.inf if decided.accept_from is None else decided.accept_from
    high = math.inf if decided.accept_to is None else decided.accept_to
    assume(abs(y - low) > 1e-6 and abs(y - high) > 1e-6)
    accepted = not decided.accept_none and low < y < high
    assert (decided.verdict is Verdict.PASS) == accepted
    if decided.verdict is Verdict.PASS:
        assert decided.margin > 0
    if decided.verdict is Verdict.FAIL:
        assert decided.margin < 0
        assert decided.conformance is not None and decided.conformance <= reject
    assert (decided.needs_u is not None) <= (decided.verdict is Verdict.INCONCLUSIVE)


@given(st.floats(-30, 30), sides, shapes, st.floats(-100, 100), st.floats(0.01, 100))
def test_shifted_and_scaled_limits_give_the_same_verdict(
    y: float, side: tuple[float | None, float | None], shape: Distribution, shift: float, factor: float
) -> None:
    """No unit and no zero is special."""
    decided = decision.guarded(y, *side, shape, RISK, RISK)
    assume(decided.conformance is not None and abs(decided.conformance - RISK) > 1e-6)
    assume(decided.conformance is not None and abs(decided.conformance - 1 + RISK) > 1e-6)
    low, high = (None if t is None else t * factor + shift for t in side)
    moved = decision.guarded(y * factor + shift, low, high, shape.scaled(factor), RISK, RISK)
    assume(abs(decided.margin) > 1e-6)
    assert moved.verdict is decided.verdict
    assert moved.conformance == pytest.approx(decided.conformance, abs=1e-6)


@given(st.floats(-30, 30), st.floats(0, 5), st.builds(normal_or_t, us, dofs))
def test_conformance_falls_away_from_the_middle(y: float, step: float, shape: Distribution) -> None:
    further = y + math.copysign(step, y)
    assert decision.conformance(further, -5, 5, shape) <= decision.conformance(y, -5, 5, shape) + 1e-12


@given(st.floats(-4.9, 4.9), st.builds(normal_or_t, us, dofs))
def test_a_value_within_its_limits_never_fails(y: float, shape: Distribution) -> None:
    assert decision.guarded(y, -5, 5, shape, RISK, 0.4).verdict is not Verdict.FAIL


@given(st.floats(-30, 30), sides, shapes)
def test_the_uncertainty_that_is_asked_for_decides(
    y: float, side: tuple[float | None, float | None], shape: Distribution
) -> None:
    decided = decision.guarded(y, *side, shape, RISK, RISK)
    assume(decided.verdict is Verdict.INCONCLUSIVE and decided.needs_u is not None and decided.needs_u > 1e-6)
    assert decided.needs_u is not None
    assert decided.needs_u <= shape.u * (1 + 1e-9)
    enough = shape.scaled(decided.needs_u / shape.u * 0.999)
    at = 0.0 if decided.accept_none and decided.margin >= 0 else y
    assert decision.guarded(at, *side, enough, RISK, RISK).verdict is not Verdict.INCONCLUSIVE


def test_empty_acceptance_interval() -> None:
    """Two-sided, normal: empty when u > (TU − TL)/2 / Φ⁻¹(1 − R/2); recomputed with scipy.stats."""
    largest = 10 / scipy.stats.norm.ppf(1 - RISK / 2)
    assert largest_deciding_u(90, 110, RISK) == pytest.approx(largest, rel=1e-9)
    assert not two_sided_is_empty(largest * 0.9999, 90, 110, RISK)
    assert two_sided_is_empty(largest * 1.0001, 90, 110, RISK)
    decided = decision.guarded(100, 90, 110, normal_or_t(5.0, None), RISK, RISK)
    assert (decided.verdict, decided.accept_none, decided.guard_band) == (Verdict.INCONCLUSIVE, True, None)
    assert decided.needs_u == pytest.approx(largest, rel=1e-6)


def test_no_uncertainty_is_a_plain_comparison() -> None:
    none = Distribution("none", 0.0)
    for y, verdict, pc in (
        (110.0, Verdict.PASS, 1.0),
        (110.0000001, Verdict.FAIL, 0.0),
        (90.0, Verdict.PASS, 1.0),
    ):
        decided = decision.guarded(y, 90, 110, none, RISK, RISK)
        assert (decided.verdict, decided.conformance, decided.interval) == (verdict, pc, (y, y))
        assert (decided.accept_from, decided.accept_to, decided.guard_band) == (90, 110, 0.0)


def test_simple_acceptance_guards_nothing_and_still_shows_the_interval() -> None:
    """JCGM 106, 8.2: the acceptance limits are the tolerance limits."""
    decided = decision.simple(109.9, 90, 110, normal_or_t(1.0, None))
    assert (decided.verdict, decided.accept_from, decided.accept_to) == (Verdict.PASS, 90, 110)
    assert (decided.guard_band, decided.conformance) == (0.0, None)
    assert decided.interval == (pytest.approx(107.940036, abs=1e-6), pytest.approx(111.859964, abs=1e-6))


def test_far_beyond_a_limit_the_small_probability_keeps_its_figures() -> None:
    """scipy.stats.norm: Φ(−8) − Φ(−28), on either side of the limits."""
    far = scipy.stats.norm.cdf(-8.0)
    assert decision.conformance(82.0, 90, 110, normal_or_t(1.0, None)) == pytest.approx(far, rel=1e-9)
    assert decision.conformance(118.0, 90, 110, normal_or_t(1.0, None)) == pytest.approx(far, rel=1e-9)


def test_a_value_on_its_limit_never_fails_and_no_u_decides_it() -> None:
    """However little of the distribution lies between the limits: the value itself is within them."""
    vast = normal_or_t(1000.0, None)
    assert decision.conformance(110.0, 90, 110, vast) < RISK
    assert decision.guarded(110.0, 90, 110, vast, RISK, RISK).verdict is Verdict.INCONCLUSIVE
    assert decision.guarded(110.001, 90, 110, vast, RISK, RISK).verdict is Verdict.FAIL
    decided = decision.guarded(110.0, None, 110, normal_or_t(1.0, None), RISK, RISK)
    assert (decided.verdict, decided.needs_u) == (Verdict.INCONCLUSIVE, None)


def test_a_rectangular_reading_half_a_step_inside_passes() -> None:
    """A step of 1 K alone can never be more than half a step off."""
    assert decision.guarded(44.5, None, 45, rectangular(0.5), RISK, RISK).verdict is Verdict.PASS
    assert decision.guarded(44.5, None, 45, normal_or_t(1 / math.sqrt(12), None), RISK, RISK).verdict is (
        Verdict.INCONCLUSIVE
    )


def test_margin_and_guard_band_are_those_of_the_nearer_side() -> None:
    decided = decision.guarded(98.0, 90, 110, normal_or_t(1.0, None), RISK, RISK)
    assert decided.margin == 8.0
    assert decided.guard_band == pytest.approx(1.959964, abs=1e-6)  # scipy.stats.norm.ppf(0.975)
    assert decided.interval == (pytest.approx(96.040036, abs=1e-6), pytest.approx(99.959964, abs=1e-6))
    assert decision.guarded(111.0, 90, 110, normal_or_t(1.0, None), RISK, RISK).margin == -1.0
    at_least = decision.guarded(98.0, 90, None, normal_or_t(1.0, None), RISK, RISK)
    assert at_least.guard_band == pytest.approx(1.959964, abs=1e-6)
    assert (at_least.accept_from, at_least.accept_to) == (pytest.approx(91.959964, abs=1e-6), None)


def test_separate_reject_risk() -> None:
    shape = normal_or_t(1.0, None)
    y = 110 + 1.7
    assert decision.guarded(y, None, 110, shape, 0.025, 0.025).verdict is Verdict.INCONCLUSIVE
    assert decision.guarded(y, None, 110, shape, 0.025, 0.05).verdict is Verdict.FAIL


@pytest.mark.parametrize("true_value", [110.0, 90.0])
def test_false_accepts_at_the_limit_stay_within_the_risk(true_value: float) -> None:
    """Readings of a unit that stands exactly on its limit, simulated with a fixed seed: at most R of them pass."""
    draws = scipy.stats.norm(true_value, 2.0).rvs(20_000, random_state=20261125)
    limits = decision.acceptance_limits(90, 110, normal_or_t(2.0, None), RISK)
    assert limits is not None
    low, high = limits
    passed = ((draws >= low) & (draws <= high)).mean()
    assert passed == pytest.approx(RISK, abs=3 * math.sqrt(RISK / 20_000))
