"""What a rise may settle at, while it is still rising: a profile likelihood over the time constants.

1. The model is y(t) = S - B1 exp(-t/tau1) - B2 exp(-t/tau2) with B1, B2 >= 0 and tau1, tau2 within ranges that the
   suite states or that good units have taught. For given time constants it is linear in S, B1, B2, so the least
   squares under the two bounds has a closed form, and every pair of a grid of time constants is tried: nothing
   to converge.
2. The interval of S holds every S for which some time constants and amplitudes fit nearly as well as the best
   ones: nu (RSS(S) - RSS_min)/RSS_min <= (kappa t)² (profile likelihood; Bates and Watts, Nonlinear Regression
   Analysis,
   1988, 6.1.2, from memory). A time constant that the samples cannot tell yet is so taken at its worst.
3. Samples remember: n of them are worth n/memory (`correlation.memory` of the residuals of the best fit), which
   tempers the likelihood by the power 1/memory, and nu = n/memory - 4.
4. kappa widens the interval beyond its nominal width. It comes from simulation (`looks`).

A single exponential is the model with one amplitude at 0, so that no choice between models comes before the
interval. Arrays have one row a run: the calibration makes thousands at once, and a bench one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from verifier.gather.heating.correlation import memory

Floats = NDArray[np.float64]
FAST_STEPS, SLOW_STEPS = 54, 20
"""Time constants tried within each range."""
LEAST_DOF = 3.0
LEAST_NOISE = 0.03
"""In K: no point of a fit is believed to be better than this."""
MODEL_ERROR = 0.003
"""Part of the settled rise by which two exponentials may miss it (judgement: air and heat sources are not that
even)."""
FORETOLD_ERROR = 0.03
"""The same of that part of the rise which was not seen yet: a unit has more time constants than two."""
PARAMETERS = 4
"""S, B1, B2 and, as far as the grid goes, one time constant."""


@dataclass(frozen=True, slots=True)
class Range:
    """Within which a time constant lies, in seconds."""

    low: float
    high: float

    def steps(self, count: int) -> Floats:
        return np.geomspace(self.low, self.high, count)


@dataclass(frozen=True, slots=True)
class Best:
    """The best fit of each run within the ranges, and what is needed to hold others against it."""

    settled: Floats
    fast_amplitude: Floats
    slow_amplitude: Floats
    fast: Floats
    slow: Floats
    rss: Floats
    dof: Floats
    memory: Floats
    residuals: Floats
    seen: Floats
    """The fitted rise at the last sample."""
    over_fast: Floats
    """RSS for each fast time constant of the range, all else at its best."""
    sums: _Sums


@dataclass(frozen=True, slots=True)
class _Sums:
    """All that least squares need of the samples: the sums of each run with 1, itself and each exponential."""

    y: Floats
    yy: Floats
    y1: Floats
    y2: Floats


class Window:
    """The samples up to one look: at which moments, and what exponentials of each time constant are there."""

    def __init__(self, t: Floats, fast: Range, slow: Range) -> None:
        self.t, self.n = t, len(t)
        self.fast, self.slow = fast.steps(FAST_STEPS), slow.steps(SLOW_STEPS)
        self._e1, self._e2 = np.exp(-t[:, None] / self.fast), np.exp(-t[:, None] / self.slow)
        self._s1, self._s2 = self._e1.sum(0)[:, None], self._e2.sum(0)[None, :]
        self._g11, self._g22 = (self._e1**2).sum(0)[:, None], (self._e2**2).sum(0)[None, :]
        self._g12 = self._e1.T @ self._e2

    def best(self, y: Floats) -> Best:
        """The best fit of each row of `y`."""
        y1, y2 = (y @ self._e1)[:, :, None], (y @ self._e2)[:, None, :]
        sums = _Sums(y.sum(1)[:, None, None], (y**2).sum(1)[:, None, None], y1, y2)
        rss, settled, b1, b2 = self._free(sums)
        runs = np.arange(len(y))
        at = rss.reshape(len(y), -1).argmin(1)
        i, j = np.unravel_index(at, rss.shape[1:])
        s, first, second = (a[runs, i, j] for a in (settled, b1, b2))
        curve = s[:, None] - first[:, None] * self._e1.T[i] - second[:, None] * self._e2.T[j]
        remembered = memory(y - curve)
        dof = np.maximum(self.n / remembered - PARAMETERS, LEAST_DOF)
        return Best(
            settled=s,
            fast_amplitude=first,
            slow_amplitude=second,
            fast=self.fast[i],
            slow=self.slow[j],
            rss=_least(_least(rss, 1), 1),
            dof=dof,
            memory=remembered,
            residuals=y - curve,
            seen=curve[:, -1],
            over_fast=_least(rss, 2),
            sums=sums,
        )

    def against_settled(self, best: Best, settled: Floats | float) -> Floats:
        """Signed tension between each run and a settled rise: positive where the run settles above it."""
        at = np.broadcast_to(np.asarray(settled, dtype=float), best.settled.shape)
        rss = _least(_least(self._at(best.sums, at), 1), 1)
        return np.asarray(self._tension(best, rss) * np.sign(best.settled - at))

    def against_fast(self, best: Best) -> Floats:
        """Signed tension with each fast time constant of the range: positive where the run's own is above it."""
        rss, steps = best.over_fast, np.arange(len(self.fast))
        own = rss.argmin(1)[:, None]
        # The least lies beside the best step, on the side of its lower neighbour.
        before, after = (np.take_along_axis(rss, np.clip(own + k, 0, len(steps) - 1), 1) for k in (-1, 1))
        sign = np.where(steps < own, 1.0, np.where(steps > own, -1.0, np.where(after < before, 1.0, -1.0)))
        return np.asarray(self._tension(best, rss.T).T * sign)

    def _tension(self, best: Best, rss: Floats) -> Floats:
        """By how many standard deviations a constrained fit of this `rss` is worse than the best one."""
        least = np.maximum(best.rss, self.n * LEAST_NOISE**2)
        return np.asarray(np.sqrt(best.dof * np.maximum(rss - best.rss, 0.0) / least))

    # ---- least squares in closed form -----------------------------------------------------------

    def _free(self, sums: _Sums) -> tuple[Floats, Floats, Floats, Floats]:
        """RSS, S, B1, B2 of each run and pair of time constants, S free."""
        n, mean = self.n, sums.y / self.n
        b1, b2, less = _amplitudes(
            self._g11 - self._s1**2 / n,
            self._g22 - self._s2**2 / n,
            self._g12 - self._s1 * self._s2 / n,
            mean * self._s1 - sums.y1,
            mean * self._s2 - sums.y2,
        )
        rss = np.maximum(sums.yy - n * mean**2 - less, 0.0)
        return rss, mean + b1 * self._s1 / n + b2 * self._s2 / n, b1, b2

    def _at(self, sums: _Sums, settled: Floats) -> Floats:
        """RSS of each run and pair of time constants, S given."""
        s = settled[:, None, None]
        total = self.n * s**2 - 2 * s * sums.y + sums.yy
        *_, less = _amplitudes(self._g11, self._g22, self._g12, s * self._s1 - sums.y1, s * self._s2 - sums.y2)
        return np.asarray(np.maximum(total - less, 0.0))


def _least(values: Floats, axis: int) -> Floats:
    """The least along an axis, between its steps: of the cubic through the least value, its neighbours and the one
    after the lower neighbour. With steps alone the best time constants would be missed by some per cent, and a
    parabola would still be off by more than the noise where that is small. No cubic at either end."""
    v = np.moveaxis(values, axis, -1)
    count = v.shape[-1]
    at = np.clip(v.argmin(-1), 1, count - 2)[..., None]

    def near(k: int | NDArray[np.int64]) -> Floats:
        return np.asarray(np.take_along_axis(v, np.clip(at + k, 0, count - 1), -1)[..., 0])

    left, here, right = near(-1), near(0), near(1)
    side = np.where(right <= left, 1, -1)
    ahead, behind, after = np.minimum(left, right), np.maximum(left, right), near(2 * side[..., None])
    # p(x) = here + a x + b x² + c x³ through x = -1, 0, 1, 2, x growing towards the lower neighbour.
    c = (after - 3 * ahead + 3 * here - behind) / 6
    b = (ahead + behind) / 2 - here
    a = (ahead - behind) / 2 - c
    root = np.sqrt(np.maximum(b * b - 3 * a * c, 0.0))
    x = -a / np.where(b + root > 0, b + root, 1.0)
    vertex = here + x * (a + x * (b + x * c))
    far = (at[..., 0] + 2 * side < 0) | (at[..., 0] + 2 * side >= count)
    inside = (here <= ahead) & (b > 0) & (x >= 0) & (x <= 1) & ~far
    return np.asarray(np.where(inside, np.clip(vertex, 0.0, here), v.min(-1)))


def _amplitudes(a11: Floats, a22: Floats, a12: Floats, c1: Floats, c2: Floats) -> tuple[Floats, Floats, Floats]:
    """min |z - B1 x1 - B2 x2|² over B1, B2 >= 0: the amplitudes, and by how much |z|² falls.

    aij = xi·xj, ci = xi·z. The least is where both are free if that is allowed, else on the better one of the two
    edges (the problem is convex).
    """
    determinant = np.maximum(a11 * a22 - a12**2, 1e-12 * a11 * a22)
    b1, b2 = (a22 * c1 - a12 * c2) / determinant, (a11 * c2 - a12 * c1) / determinant
    both = (b1 >= 0) & (b2 >= 0)
    alone1, alone2 = np.maximum(c1, 0.0) / a11, np.maximum(c2, 0.0) / a22
    first = alone1 * c1 >= alone2 * c2
    b1 = np.where(both, b1, np.where(first, alone1, 0.0))
    b2 = np.where(both, b2, np.where(first, 0.0, alone2))
    return b1, b2, b1 * c1 + b2 * c2


@dataclass(frozen=True, slots=True)
class Forecast:
    """Intervals for one run at one look; rises in K, times in s."""

    settled: tuple[float, float]
    fast: tuple[float, float]
    """Of the fast time constant; its whole range where the samples do not tell it."""
    best: Best
    """Of this one run."""


def margin(settled: Floats, seen: Floats, drift: float = 0.0) -> Floats:
    """What is added to either end of an interval of the rise, in K: the model's own error, more of it where the
    rise is foretold than where it was `seen`, and what a drift of the air may leave after it was subtracted
    (`ambient.drift_error`)."""
    return MODEL_ERROR * np.abs(settled) + FORETOLD_ERROR * np.maximum(settled - seen, 0.0) + drift


def forecast(
    window: Window, y: Floats, reach: float, fast_reach: float, drift: float = 0.0, best: Best | None = None
) -> Forecast:
    """The intervals within `reach` standard deviations, for one run, that of the rise with its `margin`."""
    best = best or window.best(y[None, :])
    centre = float(best.settled[0])

    def beyond(s: float) -> bool:
        return bool(abs(window.against_settled(best, s)[0]) > reach)

    low, high = (_edge(beyond, centre, sign * max(abs(centre), 1.0) * 0.01) for sign in (-1.0, 1.0))
    more = float(margin(best.settled, best.seen, drift)[0])
    return Forecast(
        (low - more, high + more), _crossings(window.fast, window.against_fast(best)[0], fast_reach), best
    )


def _edge(beyond, inside: float, step: float) -> float:  # type: ignore[no-untyped-def]
    """Where `beyond` becomes true, going out from `inside`: doubling the step, then halving what is between."""
    near, far = inside, inside + step
    while not beyond(far):
        near, step = far, 2 * step
        far = near + step
        if abs(step) > 1e9:
            return far
    for _ in range(14):
        middle = (near + far) / 2
        near, far = (near, middle) if beyond(middle) else (middle, far)
    return far


def _crossings(taus: Floats, tension: Floats, reach: float) -> tuple[float, float]:
    """Between which time constants the signed tension stays within `reach`, read off the straight lines between
    steps; the end of the range where it does not come so far."""
    falling = np.minimum.accumulate(tension)[::-1]
    low, high = np.exp(np.interp([reach, -reach], falling, np.log(taus)[::-1]))
    return float(low), float(high)
