"""The decision: a value and its distribution held against tolerance limits.

The rule, in the terms of JCGM 106:

1. The conformance probability is pC = F((TU − y)/u) − F((TL − y)/u) (7.2 and 7.4), F normal or t with the
   effective degrees of freedom (JCGM 100, G.4), or the rectangular-normal convolution.
2. `pass` when pC ≥ 1 − R; `fail` when pC ≤ R_f and the value itself lies beyond a limit; else `inconclusive`.
   A value within its limits never fails: pC small there means that u dwarfs the limits, not that the unit is bad.
3. Acceptance limits are where pC = 1 − R (8.3, guarded acceptance). One-sided that is T ∓ k u with k = F⁻¹(1 − R);
   two-sided it is solved, because T ∓ k u accepts too much once u nears the tolerance.
4. Two-sided, nothing can be accepted when F⁻¹(1 − R/2) > (TU − TL)/2: `inconclusive`, with the u that is needed.
5. u = 0 is a plain comparison. The simple rule compares y with T alone (8.2, simple acceptance).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from verifier.declare.decidable import two_sided_is_empty
from verifier.judge.distributions import Distribution
from verifier.readings import Verdict

COVERAGE = 0.95
"""Probability of the coverage interval (JCGM 100, 6.2.2)."""


@dataclass(frozen=True, slots=True)
class Decided:
    """What a guarded or simple decision came to; figures in the unit of the limits."""

    verdict: Verdict
    margin: float
    conformance: float | None = None
    accept_from: float | None = None
    accept_to: float | None = None
    accept_none: bool = False
    guard_band: float | None = None
    interval: tuple[float, float] | None = None
    needs_u: float | None = None
    """For `inconclusive`: the standard uncertainty below which this very value would be decided."""


def conformance(y: float, lower: float | None, upper: float | None, distribution: Distribution) -> float:
    """pC = F(TU − y) − F(TL − y), with an open side at infinity (JCGM 106, 7.2 and 7.4)."""
    if distribution.kind == "none":
        return 1.0 if inside(y, lower, upper) else 0.0
    if lower is None or upper is None:
        # F is symmetric: at least TL is at most −TL for −y.
        return distribution.cdf(upper - y if upper is not None else y - (lower or 0.0))
    a, b = lower - y, upper - y
    # Both in the upper tail: subtract the small tails, not two numbers next to one.
    p = distribution.cdf(-a) - distribution.cdf(-b) if a > 0 else distribution.cdf(b) - distribution.cdf(a)
    return max(p, 0.0)


def inside(y: float, lower: float | None, upper: float | None) -> bool:
    """Plain comparison: limits themselves conform."""
    return (lower is None or y >= lower) and (upper is None or y <= upper)


def margin(y: float, lower: float | None, upper: float | None) -> float:
    """Distance to the nearest limit, negative beyond it."""
    return min(upper - y if upper is not None else math.inf, y - lower if lower is not None else math.inf)


def coverage_interval(y: float, distribution: Distribution) -> tuple[float, float]:
    """Symmetric interval of 95 %, y ± F⁻¹(0.975) (JCGM 100, G.1.3; JCGM 106, 6.3)."""
    half = distribution.quantile((1 + COVERAGE) / 2)
    return y - half, y + half


def simple(y: float, lower: float | None, upper: float | None, distribution: Distribution | None) -> Decided:
    """Simple acceptance: the acceptance limits are the tolerance limits (JCGM 106, 8.2; ILAC-G8, 4.2.1)."""
    return Decided(
        verdict=Verdict.PASS if inside(y, lower, upper) else Verdict.FAIL,
        margin=margin(y, lower, upper),
        accept_from=lower,
        accept_to=upper,
        guard_band=0.0,
        interval=coverage_interval(y, distribution) if distribution else None,
    )


def guarded(
    y: float,
    lower: float | None,
    upper: float | None,
    distribution: Distribution,
    accept_risk: float,
    reject_risk: float,
) -> Decided:
    """The rule above. `accept_risk` is R, `reject_risk` R_f, both below 1/2."""
    within = margin(y, lower, upper)
    p = conformance(y, lower, upper, distribution)
    if distribution.kind == "none":
        return replace(simple(y, lower, upper, distribution), conformance=p)
    accept = acceptance_limits(lower, upper, distribution, accept_risk)
    if accept is not None and p >= 1 - accept_risk:
        verdict = Verdict.PASS
    elif p <= reject_risk and within < 0:
        verdict = Verdict.FAIL
    else:
        verdict = Verdict.INCONCLUSIVE
    accept_from, accept_to = accept or (None, None)
    return Decided(
        verdict=verdict,
        margin=within,
        conformance=p,
        accept_from=accept_from,
        accept_to=accept_to,
        accept_none=accept is None,
        guard_band=None if accept is None else _guard_band(lower, upper, accept),
        interval=coverage_interval(y, distribution),
        needs_u=(
            _deciding_u(y, lower, upper, distribution, accept_risk, reject_risk, empty=accept is None)
            if verdict is Verdict.INCONCLUSIVE
            else None
        ),
    )


def acceptance_limits(
    lower: float | None, upper: float | None, distribution: Distribution, risk: float
) -> tuple[float | None, float | None] | None:
    """Where pC = 1 − R, an open side as None; None for the whole when no value can be accepted."""
    if lower is None or upper is None:
        band = distribution.quantile(1 - risk)
        return (None if lower is None else lower + band), (None if upper is None else upper - band)
    half = (upper - lower) / 2
    # The normal case is the one that lint knows beforehand, so both ask the same formula.
    if distribution.kind == "normal":
        empty = two_sided_is_empty(distribution.u, lower, upper, risk)
    else:
        empty = distribution.quantile(1 - risk / 2) > half
    if empty:
        return None
    middle = lower + half
    # pC falls from the middle to the limit, where it is about 1/2 and thus below 1 − R. Measured from
    # the middle, the same offset serves both sides.
    offset = _last(lambda x: conformance(middle + x, lower, upper, distribution) >= 1 - risk, 0.0, half)
    return middle - offset, middle + offset


def _last(holds: Callable[[float], bool], low: float, high: float) -> float:
    """The largest x in [low, high] for which `holds`, given that it holds up to some point and not beyond."""
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if holds(middle):
            low = middle
        else:
            high = middle
    return low


def _guard_band(
    lower: float | None, upper: float | None, accept: tuple[float | None, float | None]
) -> float | None:
    """w = |T − A| (JCGM 106, 8.3.2; ILAC-G8, 4.1); the same on both sides, since F is symmetric."""
    for limit, at in zip((lower, upper), accept, strict=True):
        if limit is not None and at is not None:
            return abs(limit - at)
    return None


def _deciding_u(
    y: float,
    lower: float | None,
    upper: float | None,
    distribution: Distribution,
    accept_risk: float,
    reject_risk: float,
    *,
    empty: bool,
) -> float | None:
    """How small u must be, the shape unchanged, for a decision; None for a value on the limit itself."""
    if empty and lower is not None and upper is not None and inside(y, lower, upper):
        # Any value at all first: what the middle needs.
        return distribution.u * (upper - lower) / 2 / distribution.quantile(1 - accept_risk / 2)
    within = inside(y, lower, upper)

    def decided(factor: float) -> bool:
        p = conformance(y, lower, upper, distribution.scaled(factor))
        return p >= 1 - accept_risk if within else p <= reject_risk

    return distribution.u * _last(decided, 0.0, 1.0) or None
