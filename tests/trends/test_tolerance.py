"""Tolerance limits against published factors, the well-known approximation, and drawn samples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import gammaincinv, ndtr, ndtri

from verifier.trends.tolerance import two_sided_factor

# P. M. Berthouex, L. C. Brown, Statistics for Environmental Engineers, 2nd ed. 2002, table 21.1: factors for
# two-sided 95 % tolerance intervals, content 0.90, 0.95, 0.99.
TABLE_21_1 = {
    4: (5.37, 6.34, 8.22), 5: (4.29, 5.08, 6.60), 6: (3.73, 4.42, 5.76), 7: (3.39, 4.02, 5.24),
    8: (3.16, 3.75, 4.89), 9: (2.99, 3.55, 4.63), 10: (2.86, 3.39, 4.44), 12: (2.67, 3.17, 4.16),
    15: (2.49, 2.96, 3.89), 20: (2.32, 2.76, 3.62), 25: (2.22, 2.64, 3.46), 30: (2.15, 2.55, 3.35),
    40: (2.06, 2.45, 3.22), 60: (1.96, 2.34, 3.07),
}  # fmt: skip


@pytest.mark.parametrize("count", TABLE_21_1)
def test_published_factors(count: int) -> None:
    for content, factor in zip((0.90, 0.95, 0.99), TABLE_21_1[count], strict=True):
        # Some of the book's values are cut off, not rounded.
        assert two_sided_factor(count, content, 0.95) == pytest.approx(factor, abs=0.0105)


def test_the_handbooks_approximation_is_near() -> None:
    """NIST/SEMATECH e-Handbook, 7.2.6.3: 43 values, content 0.90, confidence 0.99: k2 = 2.217 (Howe's formula)."""
    chi2 = 2 * float(gammaincinv(42 / 2, 0.01))
    howe = float(ndtri(0.95)) * math.sqrt(42 * (1 + 1 / 43) / chi2)
    assert howe == pytest.approx(2.217, abs=0.0005)
    assert two_sided_factor(43, 0.90, 0.99) == pytest.approx(howe, rel=0.005)


def test_the_limits_hold_what_they_promise_as_often_as_they_promise() -> None:
    rng, n, draws = np.random.default_rng(20_261_125), 12, 4000
    k = two_sided_factor(n, 0.99, 0.95)
    x = rng.standard_normal((draws, n))
    mean, half = x.mean(1), k * x.std(1, ddof=1)
    kept = float(np.mean(ndtr(mean + half) - ndtr(mean - half) >= 0.99))
    assert kept == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / draws))


@pytest.mark.parametrize("wrong", [(1, 0.99, 0.95), (10, 1.0, 0.95), (10, 0.99, 0.0)])
def test_what_has_no_limits_is_refused(wrong: tuple[int, float, float]) -> None:
    with pytest.raises(ValueError, match="no tolerance limits"):
        two_sided_factor(*wrong)
