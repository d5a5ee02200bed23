"""Statistics of a clock's readings: drift by regression, and the overlapping Allan deviation with its confidence.

Plain arrays in and out, numpy alone (scipy for quantiles). Phase x is how far a clock is ahead, in seconds;
frequency y is its slope, a plain number (1 ppm is 1e-6).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
WHITE_PHASE, FLICKER_PHASE, WHITE_FREQUENCY, FLICKER_FREQUENCY, RANDOM_WALK = 2, 1, 0, -1, -2
"""Exponents α of the five power laws of noise, S_y(f) ~ f^α (NIST SP 1065, 3.2)."""
FEWEST_FOR_NOISE = 30
"""Points that telling the noise needs (NIST SP 1065, 5.5.6)."""


@dataclass(frozen=True, slots=True)
class Drift:
    """A straight line through how far a clock is ahead."""

    rate: float
    """Slope, a plain number."""
    u: float
    """Standard uncertainty of the slope from the scatter alone."""
    dof: int
    """Degrees of freedom, n − 2."""
    at_end: float
    """How far ahead the line is at the last moment, in s."""
    scatter: float
    """Residual standard deviation, in s."""


def drift(moments: ArrayLike, ahead: ArrayLike) -> Drift:
    """Ordinary least squares: b = Sxy/Sxx, u(b) = s/√Sxx, s² = Σr²/(n − 2) (JCGM 100, H.3; NIST StRD, Norris).

    `moments` and `ahead` in s, at least three. ValueError where no line can be laid through them.
    The scatter is taken to be independent from reading to reading, as the noise of the reading itself is.
    """
    t, x = _floats(moments), _floats(ahead)
    if t.shape != x.shape or t.size < 3:
        raise ValueError("a drift needs at least three readings")
    mean = t.mean()
    sxx = float(((t - mean) ** 2).sum())
    if not sxx > 0:
        raise ValueError("all readings were taken at the same moment")
    slope = float(((t - mean) * (x - x.mean())).sum()) / sxx
    residuals = x - x.mean() - slope * (t - mean)
    scatter = math.sqrt(float((residuals**2).sum()) / (t.size - 2))
    return Drift(
        rate=slope,
        u=scatter / math.sqrt(sxx),
        dof=t.size - 2,
        at_end=float(x.mean() + slope * (t[-1] - mean)),
        scatter=scatter,
    )


@dataclass(frozen=True, slots=True)
class Stability:
    """An overlapping Allan deviation, a plain number, with its confidence interval."""

    deviation: float
    lower: float
    upper: float
    noise: int
    """α of the power law that the data look like."""
    edf: float
    """Equivalent degrees of freedom."""


def overlapping_allan(phase: ArrayLike, tau0: float, m: int) -> float:
    """σ²_y(mτ0) = Σ (x[i+2m] − 2x[i+m] + x[i])² / (2 (N − 2m) (mτ0)²) (NIST SP 1065, 5.2.4, eq. 11).

    `phase` in s at every τ0 s; ValueError where fewer than 2m + 1 points are there.
    """
    x = _floats(phase)
    if m < 1 or x.size < 2 * m + 1:
        raise ValueError(f"an average over {m} steps needs {2 * m + 1} readings, and there are {x.size}")
    second = x[2 * m :] - 2 * x[m:-m] + x[: -2 * m]
    return math.sqrt(float((second**2).sum()) / (2 * second.size)) / (m * tau0)


def stability(phase: ArrayLike, tau0: float, m: int, *, confidence: float = 0.95) -> Stability:
    """The overlapping Allan deviation with its interval: edf·s²/χ² (NIST SP 1065, 5.3.2, eq. 45, 46)."""
    from scipy.stats import chi2

    x = _floats(phase)
    deviation = overlapping_allan(x, tau0, m)
    noise = noise_of(x, m)
    edf = degrees_of_freedom(x.size, m, noise)
    tail = (1 - confidence) / 2
    low, high = (deviation * math.sqrt(edf / float(chi2.ppf(q, edf))) for q in (1 - tail, tail))
    return Stability(deviation=deviation, lower=low, upper=high, noise=noise, edf=edf)


def noise_of(phase: ArrayLike, m: int) -> int:
    """α by the lag 1 autocorrelation (NIST SP 1065, 5.5.6; Riley and Greenhall 2004).

    Taken at the longest average up to m that leaves enough points; white phase noise where there never are.
    """
    x = _floats(phase)
    longest = x.size // FEWEST_FOR_NOISE
    if longest < 1:
        return WHITE_PHASE  # what readings of a clock are as long as they are few
    x = x[:: min(m, longest)]
    for differences in range(3):
        centred = x - x.mean()
        total = float((centred**2).sum())
        r1 = float((centred[1:] * centred[:-1]).sum()) / total if total > 0 else 0.0
        delta = r1 / (1 + r1)
        if delta < 0.25 or differences == 2:
            break
        x = np.diff(x)
    alpha = 2 - round(2 * delta) - 2 * differences
    return max(RANDOM_WALK, min(WHITE_PHASE, alpha))


def degrees_of_freedom(n: int, m: int, noise: int) -> float:
    """Equivalent degrees of freedom of the overlapping estimate from n phase points (NIST SP 1065, table 5;
    Howe, Allan and Barnes 1981)."""
    match noise:
        case 2:
            edf = (n + 1) * (n - 2 * m) / (2 * (n - m))
        case 1:
            edf = math.exp(math.sqrt(max(0.0, math.log((n - 1) / (2 * m)) * math.log((2 * m + 1) * (n - 1) / 4))))
        case 0:
            edf = (3 * (n - 1) / (2 * m) - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5)
        case -1:
            edf = 2 * (n - 2) ** 2 / (2.3 * n - 4.9) if m == 1 else 5 * n**2 / (4 * m * (n + 3 * m))
        case -2:
            edf = (n - 2) / m * ((n - 1) ** 2 - 3 * m * (n - 1) + 4 * m**2) / (n - 3) ** 2
        case _:
            raise ValueError(f"α = {noise} is none of the five power laws")
    return max(edf, 1.0)


def _floats(values: ArrayLike) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise ValueError("readings of a clock are finite numbers in a row")
    return array
