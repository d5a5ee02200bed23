"""Air that warms while the unit does."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def lagged(ambient: Floats, dt: float, tau: float) -> Floats:
    """The air as the unit feels it: a change of the air works through the slow time constant, tau.

    First-order lag, tau dx/dt = a - x, started in balance, exact for air that changes in straight lines between
    samples (dt the step between them, in the unit of tau). Subtracting the air as it is at each moment
    would count a change twice until the unit has followed. Along the last axis.
    """
    from scipy.signal import lfilter

    keep = np.exp(-dt / tau)
    # Exact integral over a ramp from a0 to a1: x1 = keep x0 + (gain - share) ... with the two weights below.
    late = 1 - (1 - keep) * tau / dt
    early = (1 - keep) - late
    start = ambient[..., :1]
    moved = ambient - start
    return np.asarray(start + lfilter([late, early], [1.0, -keep], moved, axis=-1))


def drift_error(drift: float, span: float, low: float, high: float) -> float:
    """Half-width, in K, of what a lag that is only known to lie between `low` and `high` leaves unknown.

    Under a steady drift of `drift` K over `span` seconds the unit trails by rate times lag.
    """
    return abs(drift) / span * (high - low) / 2
