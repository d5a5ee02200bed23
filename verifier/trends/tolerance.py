"""Between which values nearly all units lie, as far as some of them tell: statistical tolerance limits."""

from __future__ import annotations

import math


def two_sided_factor(count: int, content: float, confidence: float) -> float:
    """k, so that with `confidence` mean ± k·s of `count` values holds at least `content` of a normal distribution.

    Exact (ISO 16269-6; Odeh and Owen, Tables for Normal Tolerance Limits, 1980; from memory): k solves
    E[P(chi² >= nu r²/k²)] = confidence, nu = n - 1, over the sample's mean x ~ N(0, 1/n), r(x) being half the
    width about x that holds `content` of N(0, 1). The expectation is a Gauss-Hermite sum. (The well-known
    k = z sqrt(nu (1 + 1/n)/chi²) of the NIST/SEMATECH handbook, 7.2.6.3, is an approximation, good to 1 % from
    five values on.)

    ValueError for fewer than two values, or a share that is not between 0 and 1.
    """
    if count < 2 or not (0 < content < 1 and 0 < confidence < 1):
        raise ValueError(f"no tolerance limits from {count} values, content {content}, confidence {confidence}")
    import numpy as np
    from scipy.optimize import brentq
    from scipy.special import gammaincc, ndtr

    def half_width(x: float) -> float:
        return float(brentq(lambda r: ndtr(x + r) - ndtr(x - r) - content, 0.0, x + 40.0))

    at, weights = np.polynomial.hermite_e.hermegauss(80)
    squares = np.array([half_width(abs(float(x)) / math.sqrt(count)) for x in at]) ** 2
    nu = count - 1

    def too_sure(k: float) -> float:
        return float(weights @ gammaincc(nu / 2, nu * squares / (2 * k * k)) / weights.sum()) - confidence

    return float(brentq(too_sure, 0.01, 1e6))
