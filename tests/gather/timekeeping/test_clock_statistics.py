"""Drift and Allan deviation, on published sets and against another library."""

import math
import warnings

import numpy as np
import pytest

from verifier.gather.timekeeping.statistics import (
    degrees_of_freedom,
    drift,
    noise_of,
    overlapping_allan,
    stability,
)

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import allantools


def sp1065() -> np.ndarray:
    """The 1000-point frequency set of NIST SP 1065, section 12.4: a generator anybody can write down."""
    number, found = 1234567890, []
    for _ in range(1000):
        found.append(number / 2147483647)
        number = 16807 * number % 2147483647
    return np.array(found)


def phase_of(frequency: np.ndarray) -> np.ndarray:
    return np.concatenate([[0.0], np.cumsum(frequency)])


def test_the_set_is_the_published_one() -> None:
    """NIST SP 1065, 12.4: the generator's second value n1 = 395529916; mean 0.4897745 and standard deviation
    0.2884664 of table 30."""
    frequency = sp1065()
    assert round(frequency[1] * 2147483647) == 395529916
    assert frequency.mean() == pytest.approx(0.4897745, abs=5e-8)
    assert frequency.std(ddof=1) == pytest.approx(0.2884664, abs=5e-8)


@pytest.mark.parametrize(("m", "published"), [(1, 0.2922319), (10, 0.09159953), (100, 0.03241343)])
def test_overlapping_allan_deviation_of_the_1000_point_set(m: int, published: float) -> None:
    """NIST SP 1065, 12.4, table 31: overlapping Allan deviation at 1, 10 and 100 steps."""
    assert overlapping_allan(phase_of(sp1065()), 1.0, m) == pytest.approx(published, rel=1e-6)


@pytest.mark.parametrize("m", [1, 3, 17, 100, 499])
@pytest.mark.parametrize("tau0", [1.0, 0.25, 600.0])
def test_overlapping_allan_deviation_against_allantools(m: int, tau0: float) -> None:
    phase = phase_of(sp1065()) * tau0
    _, (theirs,), _, _ = allantools.oadev(phase, rate=1 / tau0, data_type="phase", taus=[m * tau0])
    assert overlapping_allan(phase, tau0, m) == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize("noise", [2, 1, 0, -1, -2])
@pytest.mark.parametrize(("n", "m"), [(101, 1), (1001, 10), (1001, 100), (300, 90)])
def test_degrees_of_freedom_against_allantools(noise: int, n: int, m: int) -> None:
    if (noise, m) == (-1, 1):
        # 2(N - 2)^2/(2.3N - 4.9) in the table (from memory); that library leaves out the square and gives 0.87.
        assert degrees_of_freedom(n, m, noise) == pytest.approx(86.2, abs=0.1)
        return
    assert degrees_of_freedom(n, m, noise) == pytest.approx(allantools.edf_simple(n, m, noise), rel=1e-9)


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
def test_the_noise_is_told(alpha: int) -> None:
    """Power-law noise by the discrete simulator of Kasdin and Walter 1992: phase is white noise through
    (1 − z⁻¹)^(−γ/2), γ = 2 − α."""
    rng, n = np.random.default_rng(11), 4096
    h = np.ones(n)
    for k in range(1, n):
        h[k] = h[k - 1] * ((2 - alpha) / 2 + k - 1) / k
    phase = np.fft.irfft(np.fft.rfft(rng.standard_normal(n), 2 * n) * np.fft.rfft(h, 2 * n))[:n]
    assert noise_of(phase, 1) == alpha


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """White phase noise of 1 ms: σ_y(τ) = √3 σ_x/τ (NIST SP 1065, table 3 from memory)."""
    rng, truth, held = np.random.default_rng(5), math.sqrt(3) * 1e-3 / 4, 0
    for _ in range(400):
        found = stability(rng.standard_normal(240) * 1e-3, 1.0, 4)
        held += found.lower <= truth <= found.upper
    assert 0.92 < held / 400 < 0.99


def test_drift_of_a_certified_set() -> None:
    """NIST StRD, Norris: slope 1.00211681802045 with standard deviation 0.429796848199937E-03, residual standard
    deviation 0.884796396144373, 34 degrees of freedom."""
    y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3,
         448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6,
         228.9, 668.4, 449.2, 0.2]  # fmt: skip
    x = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0,
         447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3,
         229.2, 669.1, 448.9, 0.5]  # fmt: skip
    found = drift(x, y)
    assert found.rate == pytest.approx(1.00211681802045, rel=1e-12)
    assert found.u == pytest.approx(0.429796848199937e-3, rel=1e-11)
    assert found.scatter == pytest.approx(0.884796396144373, rel=1e-11)
    assert found.dof == 34


def test_drift_of_a_late_log_is_as_good_as_of_an_early_one() -> None:
    """Moments as seconds since 1970 lose no digits that matter."""
    moments = np.arange(100) * 60.0
    ahead = 20e-6 * moments + 0.5
    assert drift(moments + 1.8e9, ahead).rate == pytest.approx(20e-6, rel=1e-6)


@pytest.mark.parametrize(
    ("moments", "ahead"), [([0.0, 1.0], [0.0, 1.0]), ([1.0] * 4, [0.0] * 4), ([0.0, 1.0, math.nan], [0.0] * 3)]
)
def test_what_is_no_log_is_refused(moments: list[float], ahead: list[float]) -> None:
    with pytest.raises(ValueError):
        drift(moments, ahead)
    with pytest.raises(ValueError):
        overlapping_allan(ahead[:2], 1.0, 1)
