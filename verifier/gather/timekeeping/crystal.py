"""The tuning-fork crystal of a clock: how its rate follows temperature."""

from __future__ import annotations

import math

from verifier.readings import Basis, Contribution

K, K_WITHIN = -0.035, 0.005
"""Curvature of the parabola in ppm/K², with its firm bounds (MAX6902 data sheet, p. 14)."""
TURNOVER, TURNOVER_WITHIN = 25.0, 5.0
"""Temperature at its top, in Cel, with its firm bounds (ibid.)."""
ROOM = 25.0
"""Temperature that a crystal's tolerance is stated for, in Cel."""


def parabola(temperature: float, k: float = K, turnover: float = TURNOVER) -> float:
    """Δf/f = k (T − T0)² in ppm, of the frequency at the turnover; T in Cel (MAX6902 data sheet, p. 14)."""
    return k * (temperature - turnover) ** 2


def from_room(temperature: float, within: float) -> tuple[float, tuple[Contribution, ...]]:
    """How much faster a crystal runs at this temperature than at 25 Cel, in ppm, and how well that is known.

    c = k [(T − T0)² − (25 − T0)²]. T0 is not known to lie at 25 Cel, so that both terms stay. Sensitivities
    ∂c/∂k = (T − T0)² − (25 − T0)², ∂c/∂T0 = 2k (25 − T), ∂c/∂T = 2k (T − T0); near the top ∂c/∂T is nought
    and the second order counts: 2 k² u⁴(T) and, between T and T0, 4 k² u²(T) u²(T0) (JCGM 100, 5.1.2, note).
    `within` is a firm bound of the temperature. Standard uncertainties of bounds are a/√3 (JCGM 100, 4.3.7).
    """
    u_k, u_turnover, u = (a / math.sqrt(3) for a in (K_WITHIN, TURNOVER_WITHIN, within))
    effect = parabola(temperature) - parabola(ROOM)
    bent = math.hypot(math.sqrt(2) * K * u**2, 2 * K * u * u_turnover)
    parts = (
        (effect / K * u_k, "curvature of the crystal's parabola, -0.035 ± 0.005 ppm/K²"),
        (2 * K * (ROOM - temperature) * u_turnover, "its turnover, 25 ± 5 °C"),
        (math.hypot(2 * K * (temperature - TURNOVER) * u, bent), f"temperature meanwhile, ± {within:g} K"),
    )
    return effect, tuple(
        Contribution(basis=Basis.SPECIFICATION, u=abs(u_part), note=note) for u_part, note in parts if u_part
    )
