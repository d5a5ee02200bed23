"""How sure a share is that was counted: exact bounds for a proportion."""

from __future__ import annotations

import math


def clopper_pearson(count: int, total: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval of a proportion, from 0 to 1 (Clopper and Pearson 1934; beta quantiles).

    ValueError when `count` is not between 0 and a positive `total`.
    """
    if not (total > 0 and 0 <= count <= total):
        raise ValueError(f"{count} of {total} is no proportion")
    from scipy.special import betaincinv

    tail = (1 - confidence) / 2
    lower = 0.0 if count == 0 else float(betaincinv(count, total - count + 1, tail))
    upper = 1.0 if count == total else float(betaincinv(count + 1, total - count, 1 - tail))
    return lower, upper


def excluded_by_success_run(total: int, confidence: float = 0.95) -> float:
    """The share of failures that `total` trials without one exclude: 1 - (1 - confidence)^(1/total).

    Success-run theorem (from memory): with a share p of failures, a run of n without one has the chance (1 - p)^n.
    It is the one-sided Clopper-Pearson bound for none of n. ValueError for fewer than one trial.
    """
    if total < 1:
        raise ValueError("no trial excludes nothing")
    return 1.0 - math.pow(1.0 - confidence, 1.0 / total)
