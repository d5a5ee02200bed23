"""What a probe says of a check before it is taken: for lint, for whoever shows the suite, for the engine."""

from __future__ import annotations

import math

from verifier.declare import units
from verifier.declare.suite import Check, Decision, Rule
from verifier.readings import Bound, Forecast, ProbeDeclaration


def forecast_of(check: Check, declaration: ProbeDeclaration, decision: Decision) -> Forecast | None:
    """None where the probe says nothing, or where the settings do not fit it (told elsewhere)."""
    if declaration.forecast is None:
        return None
    try:
        declaration.settings(**check.settings)
    except (TypeError, ValueError):
        return None
    risk = decision.max_false_accept if decision.rule is Rule.GUARDED else 0.0
    try:
        return declaration.forecast(check.settings, bounds_of(check, declaration), risk)
    except Exception:  # somebody else's code, and outside the worker: what it cannot foresee costs no run
        return None


def lasts_of(check: Check, declaration: ProbeDeclaration) -> float | None:
    """Seconds that all takes of a check last at the most, by its settings; None where the probe does not say."""
    if declaration.lasts is None:
        return None
    try:
        lasts = declaration.lasts(declaration.settings(**check.settings)) * check.takes
    except Exception:  # settings that do not fit are told elsewhere; and it may be somebody else's code
        return None
    return lasts if math.isfinite(lasts) else None


def bounds_of(check: Check, declaration: ProbeDeclaration) -> tuple[Bound, ...]:
    """The limits on numbers, in the units of their readings; what does not convert is left out."""
    found = []
    for limit in check.limits:
        reading = declaration.with_settings(check.settings).reading(limit.reading)
        lower, upper = limit.bounds
        if reading is None or reading.kind != "number" or (lower is None and upper is None):
            continue
        try:
            lower, upper = (
                None if edge is None else units.convert(edge, limit.unit or reading.unit, reading.unit)
                for edge in (lower, upper)
            )
        except ValueError:
            continue
        if all(edge is None or math.isfinite(edge) for edge in (lower, upper)):
            found.append(Bound(reading=limit.reading, lower=lower, upper=upper))
    return tuple(found)
