"""A supply current over time, taken apart: when the unit began to start, when it had settled, what it draws then.

Pure functions on moments in seconds and currents in amperes. A running median keeps single wild samples and short
dropouts from deciding anything; only the peak is taken from the samples as they came.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from statistics import median

WIDTH = 5
"""Samples of the running median: two wild ones beside each other do not show."""
STRAY = 0.1
"""Share of samples that may lie outside the band while the current counts as steady (judgement)."""
FEWEST = 8
"""Samples that a steady stretch needs."""
AT_LIMIT = 0.97
"""Share of the supply's current limit from which on the supply counts as limiting (judgement)."""
RISEN = 0.05
"""Share of the whole rise at which a unit counts as starting (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Phases:
    rise: float | None
    """When the current left the level before the start; None where it never did."""
    settled: float | None
    """From when on it stayed within the band around where it ended; None where it did not settle."""
    tail: range
    """The samples of the last steady stretch, settled or not."""
    dropouts: int
    """How often it fell below half of what it had settled to, and came back."""


def running_median(values: Sequence[float], width: int = WIDTH) -> list[float]:
    """The median of each sample and its neighbours; fewer of them at both ends."""
    half = width // 2
    return [median(values[max(0, n - half) : n + half + 1]) for n in range(len(values))]


def noise_of(values: Sequence[float]) -> float:
    """Standard deviation by the median absolute deviation, which wild samples hardly move: 1.4826 MAD (normal)."""
    if len(values) < 2:
        return 0.0
    middle = median(values)
    return 1.4826 * median(abs(v - middle) for v in values)


def segment(
    times: Sequence[float],
    values: Sequence[float],
    *,
    before: float,
    since: float,
    steady: float,
    band: float,
    floor: float,
) -> Phases:
    """Take a trace apart.

    `before` is the level before the start and `since` the moment from which on it may start; `steady` how many
    seconds the current has to stay within `band` (a share of its level) to count as settled; `floor` the least
    change in amperes that means anything. ValueError without samples.
    """
    if not times or len(times) != len(values):
        raise ValueError("a trace has samples, each with its moment")
    smooth = running_median(values)
    ended = steady_tail(times, values, steady=steady, band=band, floor=floor)
    tail, level = ended.samples, ended.level
    settled = None
    if ended.is_steady:
        settled = _settled_from(times, [abs(v - level) > ended.tolerance for v in smooth], steady)
    rise = _rise(times, smooth, values, before=before, since=since, floor=floor)
    dropouts = 0
    if settled is not None and level > 2 * floor:
        low = [v < level / 2 for t, v in zip(times, values, strict=True) if t >= settled]
        # One that does not come back is no dropout: then it did not settle there.
        dropouts = sum(is_low for is_low, _ in groupby(low))
    return Phases(rise=rise, settled=settled, tail=tail, dropouts=dropouts)


@dataclass(frozen=True, slots=True)
class Tail:
    """The last stretch of a trace."""

    samples: range
    level: float
    """Their median."""
    tolerance: float
    """How far from it a sample may be."""
    is_steady: bool


def steady_tail(
    times: Sequence[float], values: Sequence[float], *, steady: float, band: float, floor: float
) -> Tail:
    """The last `steady` seconds: long enough, within the band but for a few, and not on their way anywhere."""
    samples = range(bisect_left(times, times[-1] - steady), len(times))
    last = values[samples.start :]
    level = median(last)
    tolerance = max(band * abs(level), floor)
    is_steady = times[-1] - times[0] >= steady and len(last) >= FEWEST
    if is_steady:
        half = len(last) // 2
        drift = abs(median(last[half:]) - median(last[:half]))
        strays = sum(abs(v - level) > tolerance for v in running_median(last))
        is_steady = strays <= STRAY * len(last) and drift <= max(tolerance / 4, floor)
    return Tail(samples, level, tolerance, is_steady)


def longest_at_limit(times: Sequence[float], values: Sequence[float], limit: float) -> float:
    """The longest that the current stood at the supply's limit, in seconds."""
    longest, begun = 0.0, None
    for t, value in zip(times, values, strict=True):
        if value < AT_LIMIT * limit:
            begun = None
            continue
        begun = t if begun is None else begun
        longest = max(longest, t - begun)
    return longest


def standing_at_limit(times: Sequence[float], values: Sequence[float], limit: float) -> float:
    """How long it has been standing there by the end, in seconds: what a watch can ask after each sample."""
    n = len(values)
    while n > 0 and values[n - 1] >= AT_LIMIT * limit:
        n -= 1
    return times[-1] - times[n] if n < len(values) else 0.0


def _settled_from(times: Sequence[float], outside: Sequence[bool], steady: float) -> float:
    """The earliest moment from which on every stretch of `steady` seconds is steady; the last one is."""
    sums = [0]
    for is_outside in outside:
        sums.append(sums[-1] + is_outside)
    begin = bisect_left(times, times[-1] - steady)
    while begin > 0:
        end = bisect_left(times, times[begin - 1] + steady)
        if sums[end] - sums[begin - 1] > STRAY * (end - begin + 1):
            break
        begin -= 1
    while outside[begin]:  # the edge itself belongs to what came before
        begin += 1
    return times[begin]


def _rise(
    times: Sequence[float],
    smooth: Sequence[float],
    values: Sequence[float],
    *,
    before: float,
    since: float,
    floor: float,
) -> float | None:
    """When the current first rose for good, by the samples as they came."""
    begin = bisect_left(times, since)
    highest = max(smooth[begin:], default=before)
    if highest - before < floor:
        return None
    threshold = before + max(floor, RISEN * (highest - before))
    n = next(n for n in range(begin, len(times)) if smooth[n] >= threshold)
    # The median may show an edge before or after the sample that rose: take the nearest one that did.
    near = range(max(begin, n - WIDTH // 2), min(len(times), n + WIDTH // 2 + 1))
    return next((times[k] for k in near if values[k] >= threshold), times[n])
