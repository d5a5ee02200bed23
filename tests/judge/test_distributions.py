"""Distributions against scipy.stats, a numerical convolution, a fixed-seed simulation and the GUM's table."""

import math

import numpy as np
import pytest
import scipy.integrate
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.judge import distributions as d

widths = st.floats(1e-3, 1e3)
dofs = st.floats(0.6, 300)


@given(widths, st.none() | dofs, st.floats(-8, 8))
def test_normal_and_t_are_those_of_scipy(u: float, dof: float | None, z: float) -> None:
    """Recomputed with scipy.stats, non-integer degrees of freedom included."""
    ours = d.normal_or_t(u, dof)
    theirs = scipy.stats.norm(scale=u) if dof is None else scipy.stats.t(dof, scale=u)
    assert ours.cdf(z * u) == pytest.approx(theirs.cdf(z * u), rel=1e-9, abs=1e-15)


@given(widths, st.none() | dofs, st.floats(1e-4, 1 - 1e-4))
def test_quantiles_are_those_of_scipy(u: float, dof: float | None, p: float) -> None:
    """Recomputed with scipy.stats."""
    theirs = scipy.stats.norm(scale=u) if dof is None else scipy.stats.t(dof, scale=u)
    assert d.normal_or_t(u, dof).quantile(p) == pytest.approx(theirs.ppf(p), rel=1e-6, abs=1e-9 * u)


@pytest.mark.parametrize("p, t", [(0.95, 2.12), (0.9545, 2.17), (0.99, 2.92)])
def test_coverage_factors_of_gum_table_g2(p: float, t: float) -> None:
    """JCGM 100:2008, table G.2, ν = 16: t_p for the two-sided fraction p."""
    assert round(d.normal_or_t(1.0, 16).quantile((1 + p) / 2), 2) == t


def test_the_lower_tail_keeps_its_figures() -> None:
    """Recomputed with scipy.stats: 1 − Φ would be 0 here."""
    assert d.normal_or_t(1.0, None).cdf(-20) == pytest.approx(scipy.stats.norm.cdf(-20), rel=1e-9)


@given(widths, st.floats(-2, 2))
def test_rectangular(half_width: float, x: float) -> None:
    """u = a/√3 (JCGM 100, 4.3.7 eq. 7); F recomputed with scipy.stats.uniform."""
    ours = d.rectangular(half_width)
    assert ours.u == pytest.approx(half_width / math.sqrt(3))
    theirs = scipy.stats.uniform(-half_width, 2 * half_width)
    assert ours.cdf(x * half_width) == pytest.approx(theirs.cdf(x * half_width), abs=1e-12)
    assert ours.cdf(ours.quantile(0.975)) == pytest.approx(0.975)


@settings(max_examples=60)
@given(
    st.floats(0.1, 10),
    st.floats(0.05, 5),
    st.none() | st.sampled_from([1.0, 1.0001, 1.5, 2.0, 3.7, 30.0]),
    st.floats(-4, 4),
)
def test_rectangular_beside_others_is_the_numerical_convolution(
    a: float, s: float, dof: float | None, z: float
) -> None:
    """F of the sum is the mean of F over the rectangle; integrated numerically with scipy."""
    x = z * math.hypot(a / math.sqrt(3), s)
    other = scipy.stats.norm(scale=s) if dof is None else scipy.stats.t(dof, scale=s)
    # The integrand bends where its argument passes zero.
    bend = [x] if -a < x < a else None
    area, _ = scipy.integrate.quad(lambda w: float(other.cdf(x - w)), -a, a, points=bend, limit=200)
    assert d.rectangular_normal(a, s, dof).cdf(x) == pytest.approx(area / (2 * a), abs=1e-7)


def test_rectangular_normal_is_that_of_a_simulation() -> None:
    """A million draws with a fixed seed; three standard errors are 0.0015."""
    rng = np.random.default_rng(20261125)
    draws = rng.uniform(-0.5, 0.5, 1_000_000) + rng.normal(0, 0.1, 1_000_000)
    ours = d.rectangular_normal(0.5, 0.1)
    assert ours.u == pytest.approx(draws.std(), rel=2e-3)
    for x in (-0.6, -0.45, -0.2, 0.0, 0.3, 0.5, 0.62):
        assert ours.cdf(x) == pytest.approx((draws <= x).mean(), abs=1.5e-3)


@given(st.floats(0.1, 10), st.floats(1e-6, 5), st.none() | dofs, st.floats(0.001, 0.999))
def test_quantile_undoes_cdf(a: float, s: float, dof: float | None, p: float) -> None:
    ours = d.rectangular_normal(a, s, dof)
    assert ours.cdf(ours.quantile(p)) == pytest.approx(p, abs=1e-9)
    assert ours.quantile(1 - p) == pytest.approx(-ours.quantile(p), abs=1e-9 * ours.u)


def test_normal_approximation_of_half_a_step_is_too_wide() -> None:
    """A step of 1 with hardly any noise, limit half a step away: 0.958 where 1.0 is true; Φ(√3) recomputed."""
    assert d.normal_or_t(1 / math.sqrt(12), None).cdf(0.5) == pytest.approx(0.9584, abs=1e-4)
    assert d.rectangular_normal(0.5, 0.001).cdf(0.5) > 0.999
    assert d.rectangular(0.5).cdf(0.5) == 1.0


@given(st.floats(0.1, 10), st.floats(1e-3, 5), st.floats(0.1, 4), st.floats(-3, 3))
def test_scaled_keeps_the_shape(a: float, s: float, factor: float, x: float) -> None:
    ours = d.rectangular_normal(a, s)
    assert ours.scaled(factor).cdf(x * factor) == pytest.approx(ours.cdf(x), abs=1e-9)
