"""The step response of a thermal path as Foster terms, and its full fit.

    rise(t) = S - sum of B_i exp(-t/tau_i)

S is the settled rise; each term is one R-C pair in series (Foster form; JESD51-14, annex, for the step response
as a sum of exponentials, number from memory). Heated from rest or from a lower power, every B_i is at least 0.
scipy finds the least squares; model, starting values, bounds and the choice of the number of terms are here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from verifier.gather.heating.correlation import memory
from verifier.gather.heating.forecast import Range, Window

Floats = NDArray[np.float64]
FINEST, FINE = 1e-15, 1e-9
"""Relative change of the sum of squares, and of the parameters, at which the search ends: where nothing is
bounded, and on a bench, where two terms may be more than the samples can tell and the valley has no end."""
MOST_STEPS = 100
MOST_TERMS = 2


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted step response; rises and amplitudes in K (or the data's own unit), times in that of `t`."""

    settled: float
    amplitudes: tuple[float, ...]
    time_constants: tuple[float, ...]
    """The shortest first."""
    rss: float
    samples: int
    covariance: Floats
    """Of settled, amplitudes, time constants, in that order, for independent residuals: s² (JᵀJ)⁻¹."""
    memory: float
    """Integrated autocorrelation time of the residuals, in samples."""

    @property
    def terms(self) -> int:
        return len(self.amplitudes)

    @property
    def dof(self) -> float:
        """Degrees of freedom of samples that are worth samples/memory independent ones."""
        return max(self.samples / self.memory - (1 + 2 * self.terms), 1.0)

    @property
    def deviations(self) -> tuple[float, ...]:
        """Standard uncertainties of settled, amplitudes, time constants, widened for residuals that remember.

        s² rests on n/memory independent samples, and so does (JᵀJ)⁻¹ (Bayley and Hammersley, "The effective
        number of independent observations in an autocorrelated time series", JRSS Suppl. 8 (1946) 184; from
        memory).
        """
        n, p = self.samples, 1 + 2 * self.terms
        widened = self.memory * max(n - p, 1) / max(n - p * self.memory, 1.0)
        return tuple(math.sqrt(max(v, 0.0) * widened) for v in np.diag(self.covariance))

    def at(self, t: Floats) -> Floats:
        """The fitted rise at these moments."""
        return response(t, self.settled, self.amplitudes, self.time_constants)

    @property
    def aicc(self) -> float:
        """AIC with its correction for few samples, for Gaussian residuals of unknown variance.

        n ln(RSS/n) + 2K + 2K(K + 1)/(n - K - 1), K counting the variance too (Burnham and Anderson, Model
        Selection and Multimodel Inference, 2nd ed. 2002, 2.4.1 and 7.2; equation numbers from memory). n is the
        number of independent samples that these are worth: residuals that remember would else be taken for signal.
        """
        n = self.samples / self.memory
        k = 2 + 2 * self.terms
        if n <= k + 1:
            return math.inf
        return n * math.log(max(self.rss, 1e-300) / self.samples) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def response(
    t: Floats, settled: float, amplitudes: tuple[float, ...], time_constants: tuple[float, ...]
) -> Floats:
    """S - sum of B_i exp(-t/tau_i)."""
    total = np.full(len(t), settled)
    for b, tau in zip(amplitudes, time_constants, strict=True):
        total -= b * np.exp(-t / tau)
    return total


def starting_values(t: Floats, y: Floats, terms: int) -> tuple[float, tuple[float, ...], tuple[float, ...]]:
    """Settled rise, amplitudes and time constants to begin with, from the data alone.

    One term: a line through the last third of ln(S' - y), S' a little above all that was seen (peeling, the oldest
    way to read an exponential; Foss, Biometrics 26 (1970) 815, from memory). Two terms: the best pair of a coarse
    grid of time constants, all else being linear for each; peeling would be misled by noise in what it leaves.
    """
    span, top = float(t[-1] - t[0]), float(np.max(y))
    reach = max(top - float(y[0]), 1e-9 * max(abs(top), 1.0))
    if terms == 2:
        best = Window(t, Range(span / 300, span / 5), Range(span / 4.9, span * 4)).best(y[None, :])
        pairs = ((best.fast_amplitude, best.slow_amplitude), (best.fast, best.slow))
        (b1, b2), taus = ((float(a[0]), float(b[0])) for a, b in pairs)
        return float(best.settled[0]), (max(b1, 1e-6 * reach), max(b2, 1e-6 * reach)), taus
    settled = top + 0.05 * reach
    left = np.log(np.maximum(settled - y, 1e-6 * reach))
    late = t >= t[0] + span * 2 / 3
    if late.sum() < 3:
        late = np.ones(len(t), dtype=bool)
    slope = float(np.polyfit(t[late] - t[0], left[late], 1)[0])
    return settled, (reach,), (min(max(-1 / slope if slope < 0 else span, span / 20), 3 * span),)


def fit(
    t: Floats, y: Floats, terms: int, start: tuple[float, ...] | None = None, *, origin: float | None = None
) -> Fit:
    """Least squares of one or two terms. ValueError for fewer samples than parameters, or none that vary.

    `start` has settled rise, amplitudes, time constants; without it they come from the data. `origin` ties the
    rise at t = 0 to that value, so that the amplitudes sum to settled - origin (a single term then has the two
    parameters of y = b1 (1 - exp(-b2 x)), the settled rise and the time constant).
    """
    from scipy.optimize import least_squares

    tied = origin is not None
    free = 1 + 2 * terms - tied
    if len(t) <= free or float(np.ptp(y)) == 0:
        raise ValueError(f"{len(t)} samples cannot tell {free} parameters")
    s, b, tau = _unpacked(np.array(start), terms) if start else starting_values(t, y, terms)

    # The search goes over ln(tau): positive by itself, and a step is a step whatever the scale.
    def model(p: Floats) -> tuple[float, Floats, Floats]:
        taus = np.exp(np.clip(p[-terms:], -600, 600))
        amplitudes = p[1 : 1 + terms - tied]
        if origin is not None:
            amplitudes = np.append(amplitudes, p[0] - origin - amplitudes.sum())
        return float(p[0]), amplitudes, taus

    def residual(p: Floats) -> Floats:
        settled, amplitudes, taus = model(p)
        return settled - np.exp(-t[:, None] / taus) @ amplitudes - y

    def slopes(p: Floats) -> Floats:
        _, amplitudes, taus = model(p)
        decay = np.exp(-t[:, None] / taus)
        by_log_tau = -decay * amplitudes * (t[:, None] / taus)
        if not tied:
            return np.column_stack([np.ones(len(t)), -decay, by_log_tau])
        last = decay[:, -1:]
        return np.column_stack([1 - last, last - decay[:, :-1], by_log_tau])

    first = np.array([s, *b[: terms - tied], *np.log(tau)])
    # For given time constants all else is linear: solved at once, so that a poor start of it cannot mislead.
    linear = slopes(first)[:, :-terms]
    shift = np.linalg.lstsq(linear, -residual(first), rcond=None)[0]
    eased = first.copy()
    eased[:-terms] += shift
    if tied or np.all(eased[1:-terms] >= 0):
        first = eased
    low, high = np.full(free, -np.inf), np.full(free, np.inf)
    if not tied:
        # What is a thousand times shorter or longer than the heating is no term of it.
        span = float(t[-1] - t[0])
        low[-terms:], high[-terms:] = np.log(span / 1000), np.log(span * 1000)
        first[-terms:] = np.clip(first[-terms:], low[-terms:] + 0.1, high[-terms:] - 0.1)
        low[1 : 1 + terms] = 0.0  # heated from rest: no term falls
        first[1 : 1 + terms] = np.maximum(first[1 : 1 + terms], 1e-9)
    # Levenberg and Marquardt's way is the more exact one where nothing is bounded.
    found = least_squares(
        residual,
        first,
        jac=slopes,
        bounds=(low, high),
        method="lm" if tied else "trf",
        x_scale="jac",
        ftol=FINEST if tied else FINE,
        xtol=FINEST if tied else FINE,
        gtol=FINEST if tied else FINE,
        max_nfev=2000 if tied else MOST_STEPS,
    )
    return _result(t, found.x, residual, slopes, model, tied=tied)


def best(t: Floats, y: Floats) -> Fit:
    """One term or two, whichever has the lower AICc; both priced with the memory of the richer one's residuals.

    Two are none where the shorter time constant is less than the time between two samples: that is the noise of
    the first one.
    """
    fits = [fit(t, y, terms) for terms in range(1, MOST_TERMS + 1) if len(t) > 2 + 2 * terms]
    fits = [f for f in fits if f.terms == 1 or f.time_constants[0] >= t[1] - t[0]]
    if not fits:
        raise ValueError(f"{len(t)} samples are too few")
    shared = fits[-1].memory
    priced = [Fit(f.settled, f.amplitudes, f.time_constants, f.rss, f.samples, f.covariance, shared) for f in fits]
    return min(priced, key=lambda f: (f.aicc, f.terms))


def _unpacked(p: Floats, terms: int) -> tuple[float, tuple[float, ...], tuple[float, ...]]:
    return float(p[0]), tuple(map(float, p[1 : 1 + terms])), tuple(map(float, p[1 + terms :]))


def _result(t, p, residual, slopes, model, *, tied: bool) -> Fit:  # type: ignore[no-untyped-def]
    settled, amplitudes, taus = model(p)
    r, jacobian, terms = residual(p), slopes(p), len(taus)
    rss = float(r @ r)
    # From ln(tau) to tau: d(tau)/d(ln tau) = tau.
    scale = np.ones(jacobian.shape[1])
    scale[-terms:] = taus
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    covariance = rss / max(len(t) - len(p), 1) * inverse * np.outer(scale, scale)
    if tied:  # the last amplitude follows from the others
        full = np.zeros((1 + 2 * terms, len(p)))
        full[0, 0] = 1.0
        for i in range(terms - 1):
            full[1 + i, 1 + i] = 1.0
            full[terms, 1 + i] = -1.0
        full[terms, 0] = 1.0
        for i in range(terms):
            full[1 + terms + i, len(p) - terms + i] = 1.0
        covariance = full @ covariance @ full.T
    # What is left of an exact curve is the rounding of floats, which remembers without meaning anything.
    exact = rss <= len(t) * (1e-9 * abs(settled)) ** 2
    order = np.argsort(taus)
    place = np.concatenate([[0], 1 + order, 1 + terms + order])
    return Fit(
        settled,
        tuple(float(amplitudes[i]) for i in order),
        tuple(float(taus[i]) for i in order),
        rss,
        len(t),
        covariance[np.ix_(place, place)],
        1.0 if exact else float(memory(r)),
    )
