"""From the samples of a heating, as far as they go, to what the rise settles at, and what spoils that."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from verifier.gather.heating import foster, looks
from verifier.gather.heating.ambient import drift_error, lagged
from verifier.gather.heating.disturbance import misfit, outside
from verifier.gather.heating.forecast import Range, Window, forecast
from verifier.gather.heating.foster import Fit

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Samples:
    """One heating: moments in s after the load came on, at one step; sensor and air in Cel at each of them."""

    t: Floats
    sensor: Floats
    air: Floats

    @property
    def dt(self) -> float:
        return float(self.t[1] - self.t[0])

    def upto(self, moment: float) -> Samples:
        kept = self.t <= moment
        return Samples(self.t[kept], self.sensor[kept], self.air[kept])


@dataclass(frozen=True, slots=True)
class Estimate:
    """What is known of a heating; rises in K, times in s."""

    after: float
    """Moment up to which samples were used."""
    rise: tuple[float, float]
    """Within which the settled rise lies at the risk of one look, as far as the fit goes."""
    fast: tuple[float, float]
    """The same of the fast time constant."""
    memory: float
    """Over how many samples of the fit the residuals remember."""
    points: int
    """Samples of the fit, each the mean of several."""
    doubt: str
    """Why nothing can be decided by it; empty where it can."""

    @property
    def value(self) -> float:
        return (self.rise[0] + self.rise[1]) / 2

    @property
    def fast_value(self) -> float:
        return (self.fast[0] + self.fast[1]) / 2


@dataclass(frozen=True, slots=True)
class Spans:
    """What is known beforehand of the time constants."""

    fast: Range
    slow: Range


def rises(samples: Samples, slow: Range) -> Floats:
    """Sensor over air, the air as the unit feels it: through the middle of the slow time constant's range."""
    return samples.sensor - lagged(samples.air, samples.dt, math.sqrt(slow.low * slow.high))


def estimate(samples: Samples, spans: Spans, whole: float, *, step: float) -> Estimate:
    """What the samples so far tell. `whole` is how long the heating may last, `step` the sensor's, in K.

    ValueError where there are too few samples for any fit.
    """
    width = looks.bin_width(round(whole / samples.dt))
    t, y = looks.binned(samples.t, rises(samples, spans.slow), width)
    if len(t) < 12:
        raise ValueError(f"{len(t)} points are too few to fit a rise to")
    drift = float(samples.air[-1] - samples.air[0])
    window = Window(t, spans.fast, spans.slow)
    best = window.best(y[None, :])
    reach, fast_reach = (looks.reach(float(best.dof[0]), looks.kappa(of)) for of in ("rise", "fast"))
    left = drift_error(drift, float(samples.t[-1] - samples.t[0]), spans.slow.low, spans.slow.high)
    told = forecast(window, y, reach, fast_reach, left, best)
    return Estimate(
        after=float(samples.t[-1]),
        rise=told.settled,
        fast=told.fast,
        memory=float(best.memory[0]),
        points=len(t),
        doubt=misfit(y, told.best.residuals[0], step),
    )


def fitted(samples: Samples, spans: Spans, whole: float) -> tuple[Fit, str]:
    """The full fit, one term or two by AICc, and what is wrong with the ranges that were given beforehand, if
    it shows.

    ValueError where there are too few samples.
    """
    width = looks.bin_width(round(whole / samples.dt))
    t, y = looks.binned(samples.t, rises(samples, spans.slow), width)
    best = foster.best(t, y)
    return best, outside(best, float(t[-1]), spans.fast, spans.slow)


def settled_by_cooling(t: Floats, y: Floats, heated_for: float) -> tuple[float, float]:
    """The settled rise, and its standard uncertainty, from cooling down alone: a second estimate, in K.

    `t` counts from the moment when the load went off, after `heated_for` seconds; `y` is the rise over air. Linear
    superposition: a heating from rest by A_i (1 - exp(-t/tau_i)) that ended at T cools as
    rest + sum of A_i (1 - exp(-T/tau_i)) exp(-t/tau_i). The terms of the cooling so tell the A_i, and rest +
    sum of A_i is where the heating would have settled. ValueError where there are too few samples.
    """
    found = foster.best(t, -y)  # upside down it is a rise
    terms = zip(found.amplitudes, found.time_constants, strict=True)
    full = sum(c / -math.expm1(-heated_for / tau) for c, tau in terms)
    weights = [-1.0]
    weights += [1 / -math.expm1(-heated_for / tau) for tau in found.time_constants]
    for c, tau in zip(found.amplitudes, found.time_constants, strict=True):
        x = heated_for / tau
        weights.append(c * math.exp(-x) * x / tau / math.expm1(-x) ** 2)
    w = np.array(weights)
    scale = found.deviations[0] / math.sqrt(found.covariance[0, 0]) if found.covariance[0, 0] > 0 else 1.0
    return full - found.settled, scale * math.sqrt(max(float(w @ found.covariance @ w), 0.0))
