"""What spoils a heating and shows in the curve itself: it is of another shape, or its time constants are
others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from verifier.gather.heating.forecast import Range
from verifier.gather.heating.foster import Fit

Floats = NDArray[np.float64]
PARTS = 10
"""Into so many parts a heating is cut, to see whether a whole part lies off the curve."""
WELL_KNOWN = 0.1
"""Relative uncertainty below which a time constant is known well enough to blame its range, or to teach one."""
SLACK = 1.25
"""Factor by which a well-known time constant may lie outside its range: it then costs less than the model's
error."""


def misfit(y: Floats, residuals: Floats, step: float) -> str:
    """Says that the curve has another shape than two exponentials, where a whole part of it lies off; else
    nothing.

    A fan that changes its speed, a unit that is moved, a load that steps: the rise then bends where no exponential
    does. What steps and noise leave in the mean of a part is allowed for: a step of the sensor, one per cent of
    the rise, and four standard deviations of noise that is worth one in twelve samples. (Judgement; the
    campaign of the early answer counts how often it is wrong.)
    """
    part = max(4, len(y) // PARTS)
    means = np.convolve(residuals, np.full(part, 1 / part), mode="valid")
    noise = 1.4826 * float(np.median(np.abs(np.diff(residuals)))) / np.sqrt(2)
    allowed = step + 0.01 * float(np.ptp(y)) + 4 * noise * np.sqrt(12 / part)
    worst = float(np.max(np.abs(means)))
    if worst <= allowed:
        return ""
    return f"the rise follows no two exponentials: a tenth of it lies {worst:.1f} K off the best fit"


def well_known(tau: float, u: float, span: float) -> bool:
    """Whether `span` seconds of samples tell a time constant of standard uncertainty u. One that is longer than
    they lasted is not known from them, whatever its formal uncertainty is."""
    return u <= WELL_KNOWN * tau and tau <= span


def outside(fit: Fit, span: float, fast: Range, slow: Range) -> str:
    """Says that the ranges of the time constants are wrong for this unit, where the full fit to `span` seconds
    shows it."""
    deviations = fit.deviations[1 + fit.terms :]
    for tau, u in zip(fit.time_constants, deviations, strict=True):
        if not well_known(tau, u, span) or any(r.low / SLACK <= tau <= r.high * SLACK for r in (fast, slow)):
            continue
        return (
            f"a time constant of {tau:.0f} s lies outside the ranges that the suite gives ({fast.low:g} to "
            f"{fast.high:g} s, {slow.low:g} to {slow.high:g} s)"
        )
    return ""
