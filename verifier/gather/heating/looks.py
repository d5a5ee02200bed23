"""When to look at a rise that is still going on, and how wide its interval is kept.

Whoever looks often errs often: with a nominal interval looked at every 10 s, a truth just beyond its limit
passes in
44 % of runs. So there are at most `LOOKS` looks, at moments that are fixed before the first sample (spaced
geometrically), and each spends an equal part of the suite's risk (Bonferroni: the chance of at least one wrong
verdict is at most the sum). That bound holds for intervals that are as wide as they say; fits of quantised
samples that remember are not, so each interval is widened by `kappa`, found by simulation. `calibration.json`
has it with the seed; `tests/campaigns/early_answer.py` makes that file and proves it over its grid.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from statistics import NormalDist
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

LOOKS = 10
RISK = 0.025
"""The suite's risk for which kappa was found; u is stated so that a decision at RISK/LOOKS is the calibrated
one."""
BINS = 400
"""Samples are averaged into at most so many before a fit: it costs the same however long it takes."""


def moments(minimum: float, longest: float) -> tuple[float, ...]:
    """The looks, in seconds after the load came on: the first at `minimum`, the last at `longest`."""
    ratio = longest / minimum
    return tuple(float(minimum * ratio ** (k / (LOOKS - 1))) for k in range(LOOKS))


@cache
def _calibration() -> dict[str, Any]:
    return dict(json.loads((files("verifier.gather.heating") / "calibration.json").read_text()))


@cache
def kappa(of: Literal["rise", "fast"]) -> float:
    """How much wider than nominal the interval of the rise, or of the fast time constant, has to be:
    calibrated, see `calibration.json`."""
    return float(_calibration()["kappa"][of])


def calibrated_slow() -> list[tuple[float, float]]:
    """Ranges of the slow time constant, in s, with which kappa was found, the truth at either end of them."""
    return [(float(low), float(high)) for low, high in _calibration()["slow"]]


def reach(dof: float, widened: float) -> float:
    """Standard deviations on either side at the risk of one look: kappa times Student's t (JCGM 100, G.3)."""
    from scipy.special import stdtrit

    return widened * float(stdtrit(dof, 1 - RISK / LOOKS))


def standard_uncertainty(interval: tuple[float, float]) -> float:
    """The u for which a normal distribution about the middle leaves RISK/LOOKS beyond either end."""
    return (interval[1] - interval[0]) / 2 / NormalDist().inv_cdf(1 - RISK / LOOKS)


def binned(t: NDArray[np.float64], y: NDArray[np.float64], width: int) -> tuple[NDArray[np.float64], ...]:
    """Means of `width` samples in a row, along the last axis; what is left over at the end is left out."""
    kept = y.shape[-1] // width * width
    return (
        t[:kept].reshape(-1, width).mean(1),
        y[..., :kept].reshape(*y.shape[:-1], -1, width).mean(-1),
    )


def bin_width(samples: int) -> int:
    """Samples that go into one bin, where the whole heating has so many."""
    return max(1, samples // BINS)
