"""Distributions of a reading about the quantity it stands for: probabilities and quantiles.

All are symmetric about zero. Scipy is loaded only for Student's t, which the standard library lacks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

_ROOT_2, _ROOT_3, _ROOT_2_PI = math.sqrt(2), math.sqrt(3), math.sqrt(2 * math.pi)

Kind = Literal["none", "normal", "t", "rectangular", "rectangular-normal"]


@dataclass(frozen=True, slots=True)
class Distribution:
    """What may lie between a reading and the quantity it stands for, in the unit of the reading."""

    kind: Kind
    u: float
    """Combined standard uncertainty; for t the scale, as the GUM uses it (JCGM 100, G.3.2)."""
    dof: float | None = None
    """Degrees of freedom of t, or of the normal part beside a rectangular one; None means infinitely many."""
    half_width: float = 0.0
    """Half-width of the rectangular part."""

    def cdf(self, x: float) -> float:
        """Probability that the deviation is at most `x`."""
        if math.isinf(x):
            return 1.0 if x > 0 else 0.0
        if self.kind == "none":
            return 1.0 if x >= 0 else 0.0
        if self.kind == "rectangular":
            # JCGM 101, 6.4.2: constant density between −a and a.
            return min(max((x + self.half_width) / (2 * self.half_width), 0.0), 1.0)
        if self.kind == "rectangular-normal":
            # From the side where the probability is small: 1 − p would lose its figures.
            return 1 - self._beside_rectangular(-x) if x > 0 else self._beside_rectangular(x)
        return _standard_cdf(x / self.u, self.dof)

    def quantile(self, p: float) -> float:
        """The deviation that is not exceeded with probability `p`, 0 < p < 1."""
        if self.kind == "none":
            return 0.0
        if self.kind == "rectangular":
            return self.half_width * (2 * p - 1)
        if self.kind == "rectangular-normal":
            return -self._solve(1 - p) if p > 0.5 else self._solve(p)
        if self.dof is None:
            return self.u * NormalDist().inv_cdf(p)
        from scipy.special import stdtrit

        return self.u * float(stdtrit(self.dof, p))

    def scaled(self, factor: float) -> Distribution:
        """The same shape, `factor` times as wide."""
        return Distribution(self.kind, self.u * factor, self.dof, self.half_width * factor)

    def _beside_rectangular(self, x: float) -> float:
        """F of the sum of a rectangular and a normal (or t) deviation.

        The mean of the normal's F over the rectangle, s/(2a) [G((x + a)/s) − G((x − a)/s)], with G an
        integral of F. For the normal G(z) = z Φ(z) + φ(z).
        """
        a = self.half_width
        s = math.sqrt(max(self.u**2 - a**2 / 3, 0.0))
        if s == 0.0:
            return min(max((x + a) / (2 * a), 0.0), 1.0)
        difference = _integral((x + a) / s, self.dof) - _integral((x - a) / s, self.dof)
        return min(max(difference * s / (2 * a), 0.0), 1.0)

    def _solve(self, p: float) -> float:
        """Bisection for p ≤ 1/2, where the quantile is at most zero."""
        low = -self.u
        while self._beside_rectangular(low) > p:
            low *= 2
        high = 0.0
        for _ in range(200):
            middle = (low + high) / 2
            if middle in (low, high):
                break
            if self._beside_rectangular(middle) < p:
                low = middle
            else:
                high = middle
        return (low + high) / 2


NONE = Distribution("none", 0.0)


def normal_or_t(u: float, dof: float | None) -> Distribution:
    """Student's t with any positive, also non-integer, dof (JCGM 100, G.3 and G.4); normal for None."""
    return Distribution("normal" if dof is None else "t", u, dof)


def rectangular(half_width: float) -> Distribution:
    """u = a/√3 (JCGM 100, 4.3.7 eq. 7)."""
    return Distribution("rectangular", half_width / _ROOT_3, None, half_width)


def rectangular_normal(half_width: float, s: float, dof: float | None = None) -> Distribution:
    """A rectangular deviation plus an independent normal one of standard uncertainty `s` (t for finite `dof`)."""
    return Distribution("rectangular-normal", math.hypot(half_width / _ROOT_3, s), dof, half_width)


def _standard_cdf(z: float, dof: float | None) -> float:
    if dof is None:
        # erfc keeps its figures in the lower tail, where 1 + erf does not.
        return 0.5 * math.erfc(-z / _ROOT_2)
    from scipy.special import stdtr

    return float(stdtr(dof, z))


def _integral(z: float, dof: float | None) -> float:
    """An integral of the standard normal or t distribution function, up to a constant.

    By parts it is z F(z) − ∫ z f(z) dz. For t with f(z) = c w^(−(ν+1)/2) and w = 1 + z²/ν,
    ∫ z f dz = c ν/2 · (w^α − 1)/α with α = (1 − ν)/2, and ln w in place of the quotient at ν = 1.
    """
    if dof is None:
        return z * _standard_cdf(z, None) + math.exp(-z * z / 2) / _ROOT_2_PI
    c = math.exp(math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2)) / math.sqrt(dof * math.pi)
    alpha, log_w = (1 - dof) / 2, math.log1p(z * z / dof)
    quotient = math.expm1(alpha * log_w) / alpha if alpha else log_w
    return z * _standard_cdf(z, dof) - c * dof / 2 * quotient
