"""The full fit of a step response: certified data, exact R-C networks, the choice of the number of terms."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.signal import lfilter

from verifier.gather.heating import foster
from verifier.gather.heating.correlation import memory

STATISTICS = Path(__file__).parents[2] / "reference/statistics"


def strd(name: str) -> tuple[np.ndarray, np.ndarray, list[list[float]], float]:
    """x, y, the rows start 1, start 2, certified, deviation of b1 and b2, and the certified sum of squares."""
    lines = (STATISTICS / f"strd_{name}.dat").read_text().splitlines()
    rows = [[float(w) for w in line.split("=")[1].split()] for line in lines if line.strip().startswith("b")][-2:]
    rss = next(float(line.split()[-1]) for line in lines if line.startswith("Residual Sum of Squares"))
    data = np.array([[float(w) for w in line.split()] for line in lines[60:] if line.strip()])
    return data[:, 1], data[:, 0], rows, rss


def digits(found: float, certified: float) -> float:
    """Log relative error: NIST StRD's own measure of correct digits."""
    return 15.0 if found == certified else -math.log10(abs(found - certified) / abs(certified))


@pytest.mark.parametrize(("name", "least"), [("Misra1a", 10), ("BoxBOD", 8)])
@pytest.mark.parametrize("start", [0, 1, None])
def test_certified_values_from_both_published_starts_and_from_our_own(
    name: str, least: float, start: int | None
) -> None:
    """NIST StRD Misra1a (lower difficulty), BoxBOD (higher): y = b1 (1 - exp(-b2 x)), certified to 11 digits."""
    x, y, (b1, b2), rss = strd(name)
    first = None if start is None else (b1[start], b1[start], 1 / b2[start])
    fit = foster.fit(x, y, 1, first, origin=0.0)
    s1, s2 = np.sqrt(np.diag(fit.covariance))[[0, 2]]
    rate = 1 / fit.time_constants[0]
    found = (fit.settled, rate, s1, s2 * rate**2, fit.rss)  # from tau to b2 = 1/tau
    for value, certified in zip(found, (b1[2], b2[2], b1[3], b2[3], rss), strict=True):
        assert digits(value, certified) >= least


@pytest.mark.parametrize("r1", [1.25, 2.10, 4.35])
def test_an_exact_ladder_gives_back_its_time_constants_and_resistance(r1: float) -> None:
    """The demo world's ladder (19.2 J/K, 217 J/K, 2.70 K/W) at 10 W, stepped by a matrix exponential."""
    c1, c2, r2, power = 19.2, 217.0, 2.70, 10.0
    matrix = np.array([[-1 / (r1 * c1), 1 / (r1 * c1)], [1 / (r1 * c2), -1 / (r1 * c2) - 1 / (r2 * c2)]])
    settled = np.linalg.solve(matrix, [-power / c1, 0.0])
    step, state, rises = expm(5.0 * matrix), -settled, [0.0]
    for _ in range(600):
        state = step @ state
        rises.append(float(settled[0] + state[0]))
    fit = foster.fit(np.arange(601) * 5.0, np.array(rises), 2)
    assert fit.settled == pytest.approx(power * (r1 + r2), rel=1e-9)
    assert fit.time_constants == pytest.approx(sorted(-1 / np.linalg.eigvals(matrix)), rel=1e-7)
    assert sum(fit.amplitudes) == pytest.approx(fit.settled, rel=1e-9)  # from rest


def test_the_response_of_one_term_is_that_of_the_tables() -> None:
    """T(t) = P R (1 - exp(-t/RC)): 63.21 % at tau, 86.47, 95.02, 98.17, 99.33 % at two to five (RC circuit theory;
    Modelica HeatCapacitor, C dT/dt = Q)."""
    shares = foster.response(np.arange(1.0, 6.0), 100.0, (100.0,), (1.0,))
    assert [round(float(s), 2) for s in shares] == [63.21, 86.47, 95.02, 98.17, 99.33]


@pytest.mark.parametrize(("r", "hot"), [(40.0, 140.668), (29.0, 108.859), (19.0, 79.942)])
def test_worked_examples_of_a_package_and_its_sink(r: float, hot: float) -> None:
    """2.8917 W at 25 °C through 40, 3 + 26 and 3 + 16 K/W: 140.668, 108.859, 79.942 °C (worked example)."""
    t = np.arange(0, 2000, 4.0)
    fit = foster.best(t, foster.response(t, 2.8917 * r, (2.8917 * r,), (180.0,)))
    assert 25 + fit.settled == pytest.approx(hot, abs=6e-4)
    assert fit.settled / 2.8917 == pytest.approx(r, rel=1e-6)


def noisy(rng: np.random.Generator, clean: np.ndarray, sd: float, phi: float = 0.0) -> np.ndarray:
    white = rng.standard_normal(len(clean))
    return clean + sd * lfilter([math.sqrt(1 - phi**2)], [1.0, -phi], white)


@pytest.mark.parametrize(("amplitudes", "taus"), [((30.0,), (640.0,)), ((9.0, 21.0), (22.0, 640.0))])
def test_aicc_finds_the_number_of_terms(amplitudes: tuple[float, ...], taus: tuple[float, ...]) -> None:
    rng, t = np.random.default_rng(5), np.arange(0, 2700, 7.0)
    clean = foster.response(t, 40.0, amplitudes, taus)
    found = [foster.best(t, noisy(rng, clean, 0.3)).terms for _ in range(40)]
    # Two parameters too many lower AICc by chance in 13.5 % of cases, P(chi² of 2 > 4).
    assert found.count(len(taus)) >= (30 if len(taus) == 1 else 40)


def test_a_first_sample_that_is_off_is_no_time_constant() -> None:
    """A short heating: the jump from the first sample to the second one is taken for a term by the fit of two."""
    t = np.arange(0.0, 201.0, 3.0)
    y = 40 - 17 * np.exp(-t / 50) + np.random.default_rng(4).normal(0, 0.3, len(t))
    y[0] -= 4
    assert foster.fit(t, y, 2).time_constants[0] < 3
    found = foster.best(t, y)
    assert found.terms == 1 and found.time_constants[0] == pytest.approx(50, rel=0.2)


def test_aicc_by_hand() -> None:
    """n ln(RSS/n) + 2K + 2K(K + 1)/(n - K - 1): n = 20, RSS = 5, one term and the variance make K = 4."""
    fit = foster.Fit(1.0, (1.0,), (1.0,), 5.0, 20, np.eye(3), memory=1.0)
    assert fit.aicc == pytest.approx(20 * math.log(0.25) + 8 + 40 / 15)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_memory_of_an_autoregressive_series(phi: float) -> None:
    """AR(1): tau_int = (1 + phi)/(1 - phi) (the sum of the geometric series)."""
    rng = np.random.default_rng(11)
    white = rng.standard_normal((40, 4000))
    found = memory(lfilter([1.0], [1.0, -phi], white, axis=1))
    assert float(np.mean(found)) == pytest.approx((1 + phi) / (1 - phi), rel=0.12)


@pytest.mark.parametrize("phi", [0.0, 0.9])
def test_the_uncertainty_of_the_settled_rise_covers_the_truth(phi: float) -> None:
    """About 95 % within two deviations, also where residuals remember: naive ones would cover about 40 % then."""
    rng, t = np.random.default_rng(2), np.arange(0, 2700, 3.0)
    clean = foster.response(t, 40.0, (9.0, 21.0), (22.0, 640.0))
    fits = [foster.fit(t, noisy(rng, clean, 0.3, phi), 2) for _ in range(60)]
    covered = np.mean([abs(f.settled - 40) < 2 * f.deviations[0] for f in fits])
    assert covered >= 0.85
    naive = np.mean([abs(f.settled - 40) < 2 * math.sqrt(f.covariance[0, 0]) for f in fits])
    assert bool(naive < 0.7) is (phi > 0)


@pytest.mark.parametrize("n", [0, 3])
def test_too_few_samples_are_refused(n: int) -> None:
    with pytest.raises(ValueError, match="samples"):
        foster.fit(np.arange(float(n)), np.arange(float(n)), 2)
