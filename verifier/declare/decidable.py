"""Whether a two-sided limit can be decided at all with an uncertainty known beforehand.

Standard library only: lint asks this before anything is measured, the judge asks the same of what was.
"""

from __future__ import annotations

import math
from statistics import NormalDist

from verifier.declare import units
from verifier.declare.suite import Check, Decision, Limit, Rule


def two_sided_is_empty(u: float, lower: float, upper: float, risk: float) -> bool:
    """Whether no value between `lower` and `upper` could be accepted, for a normal distribution.

    The conformance probability is largest in the middle (JCGM 106, 7.2), where it is
    2 Φ((TU − TL)/(2u)) − 1; that stays below 1 − R when u > (TU − TL)/2 / Φ⁻¹(1 − R/2). All in one unit.
    """
    return u > largest_deciding_u(lower, upper, risk)


def largest_deciding_u(lower: float, upper: float, risk: float) -> float:
    """The standard uncertainty above which two-sided limits accept nothing, for a normal distribution.

    (TU − TL)/2 / Φ⁻¹(1 − R/2). For t this is too large, for rectangular distributions too small.
    """
    return (upper - lower) / 2 / NormalDist().inv_cdf(1 - risk / 2)


def undecidable(check: Check, limit: Limit, decision: Decision, reading_unit: str = "") -> str | None:
    """Why the author's own statements leave `limit` no value to accept; None when they do not.

    `reading_unit` is what the probe declares, for limits and statements that name no unit. Says so only
    where it is certain: whatever else is known of the reading can only widen the distribution.
    """
    lower, upper = limit.bounds
    if decision.rule is not Rule.GUARDED or lower is None or upper is None:
        return None
    here = limit.unit or reading_unit or "1"
    normal, widest = 0.0, 0.0
    for statement in check.uncertainty:
        if statement.reading == limit.reading:
            there = statement.unit or reading_unit or here
            try:
                if statement.u is not None:
                    normal = math.hypot(normal, units.convert_difference(statement.u, there, here))
                elif statement.half_width is not None:
                    widest = max(widest, units.convert_difference(statement.half_width, there, here))
            except ValueError:
                return None  # units that do not fit are a problem of their own
    risk = decision.max_false_accept
    largest = largest_deciding_u(lower, upper, risk)
    shown = units.shown(here)
    if normal > largest:
        return (
            f"no value could ever pass: with u = {_figure(normal, shown)} the limits {lower:g} to "
            f"{_figure(upper, shown)} need u of at most {_figure(largest, shown)}"
        )
    # Rectangular: 2 F(h) − 1 = h/a, so the middle passes when (TU − TL)/2 ≥ a (1 − R).
    if widest * (1 - risk) > (upper - lower) / 2:
        return (
            f"no value could ever pass: a half-width of {_figure(widest, shown)} does not fit between "
            f"{lower:g} and {_figure(upper, shown)}"
        )
    return None


def _figure(value: float, unit: str) -> str:
    return f"{value:.3g} {unit}".rstrip()
