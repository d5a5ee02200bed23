"""How sure a fraction is: exact intervals for a proportion."""

from __future__ import annotations


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
