"""The mean of repeated measurements as a reading."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from verifier.readings import Basis, Contribution, Reading, Series


def mean_of(name: str, values: Sequence[float], unit: str, origin: str, series: Series | None = None) -> Reading:
    """Mean, its uncertainty from the scatter: u = s/√n with n − 1 degrees of freedom (JCGM 100, 4.2.3).

    Of a single value nothing is known of the scatter, and none is stated.
    """
    n = len(values)
    spread: tuple[Contribution, ...] = ()
    if n > 1:
        u = statistics.stdev(values) / n**0.5
        spread = (Contribution(basis=Basis.REPEATS, u=u, dof=n - 1, note=f"mean of {n} (JCGM 100, 4.2.3)"),)
    return Reading(
        name=name, value=statistics.fmean(values), unit=unit, origin=origin, contributions=spread, series=series
    )
