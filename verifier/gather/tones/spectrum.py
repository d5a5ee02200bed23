"""Powers within bands, levels, distortion and hum.

Levels are dBFS by AES17: the RMS of a sine wave whose peak reaches full scale is 0 dBFS, so that a level is that
of the plain RMS value plus 3.01 dB. Powers here are mean squares, of full scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from verifier.gather.tones.sine import Samples, Sine, amplitude_at, fit_sine

LOW, HIGH = 20.0, 20_000.0
"""Hertz: the band in which noise and distortion count."""
FLOOR = -200.0
"""dBFS that stand for digital silence."""
EDGE = 0.05
"""Seconds that are left out at each end of what was filtered: there the filter has rung."""
BLOCKS = 8
"""Parts whose scatter says how well a power is known."""
HARMONICS = 10
"""Of the mains, the fundamental included."""
FINE = 1 << 17
"""Bins of the spectrum in which hum is looked for: 0.03 Hz each."""
MAINS_WANDER = 0.01
"""How far from its nominal value the mains' frequency is looked for, relative."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty and the degrees of freedom behind that."""

    value: float
    u: float
    dof: float


def level(power: float) -> float:
    """dBFS of a mean square (AES17)."""
    return max(FLOOR, 10 * float(np.log10(2 * power))) if power > 0 else FLOOR


def band(samples: Samples, rate: float, low: float = LOW, high: float = HIGH) -> Samples:
    """What lies between two frequencies, without `EDGE` seconds at each end."""
    spectrum = np.fft.rfft(samples)
    frequencies = np.fft.rfftfreq(len(samples), 1 / rate)
    spectrum[(frequencies < low) | (frequencies > high)] = 0
    cut = round(EDGE * rate)
    return np.fft.irfft(spectrum, len(samples))[cut : len(samples) - cut]


def power_of(samples: Samples) -> Estimate:
    """Mean square; its uncertainty from the scatter of eight parts (JCGM 100, 4.2.3)."""
    parts = [float(np.mean(part**2)) for part in np.array_split(samples, BLOCKS)]
    return Estimate(float(np.mean(samples**2)), float(np.std(parts, ddof=1)) / np.sqrt(BLOCKS), BLOCKS - 1)


def in_decibels(power: Estimate) -> Estimate:
    """A power's level in dBFS, and its uncertainty in dB: 10/ln 10 · u/P (JCGM 100, 5.1.2)."""
    u = 10 / np.log(10) * power.u / power.value if power.value > 0 else 0.0
    return Estimate(level(power.value), float(u), power.dof)


def tone_level(samples: Samples, rate: float, frequency: float) -> Estimate:
    """Level in dBFS of the tone of that frequency; its uncertainty from the scatter of eight parts."""
    parts = [amplitude_at(part, rate, frequency) ** 2 / 2 for part in np.array_split(samples, BLOCKS)]
    whole = amplitude_at(samples, rate, frequency) ** 2 / 2
    return in_decibels(Estimate(whole, float(np.std(parts, ddof=1)) / np.sqrt(BLOCKS), BLOCKS - 1))


@dataclass(frozen=True, slots=True)
class Distorted:
    """A tone, and everything beside it."""

    tone: Sine
    thd_n: Estimate
    """Decibels: all but the fundamental over all (AES17, THD+N; section numbers differ between its editions)."""

    @property
    def percent(self) -> Estimate:
        """The same as the ratio of the RMS values, in percent."""
        ratio = 100 * 10 ** (self.thd_n.value / 20)
        return Estimate(ratio, ratio * float(np.log(10)) / 20 * self.thd_n.u, self.thd_n.dof)


def thd_n(samples: Samples, rate: float, near: float) -> Distorted:
    """Total harmonic distortion and noise of a tone near `near`, from 20 Hz to 20 kHz.

    The fundamental is taken out by the fit, which leaves all noise beside it in. The notch filter of AES17 takes
    some of that noise out too: of white noise 0.1 to 0.4 dB for a Q of 5 to 1. So this is never the better of
    the two figures.
    """
    tone = fit_sine(samples, rate, near)
    rest = band(samples - tone.at(len(samples), rate), rate)
    left = power_of(rest)
    total = tone.amplitude**2 / 2 + left.value
    if left.value <= 0 or total <= 0:
        return Distorted(tone, Estimate(FLOOR, 0.0, left.dof))
    ratio = Estimate(left.value / total, left.u / total, left.dof)
    return Distorted(tone, Estimate(10 * float(np.log10(ratio.value)), in_decibels(ratio).u, ratio.dof))


def hum(samples: Samples, rate: float, mains: float) -> Estimate:
    """Level in dBFS of the mains' frequency and its harmonics together, in what should be silence.

    The mains' own frequency is looked for within 1 %. The uncertainty is that of the noise between the harmonics,
    which with digital silence is none.
    """
    # Narrow, thin and weighted: the tenth harmonic lies at 600 Hz at the most.
    narrow = band(samples, rate, 5.0, 1000.0)
    step = max(1, int(rate // 4000))
    narrow, rate = narrow[::step], rate / step
    weights = np.hanning(len(narrow))
    # Filled up with zeros to bins so narrow that the nearest one will do.
    bins = np.abs(np.fft.rfft(weights * narrow, FINE)) / float(np.sum(weights))

    def powers(orders: NDArray[np.float64], fundamental: float) -> NDArray[np.float64]:
        nearest = np.rint(fundamental * orders * FINE / rate).astype(int)
        return np.asarray(2 * bins[nearest] ** 2)

    orders = np.arange(1.0, HARMONICS + 1)
    grid = mains * (1 + np.linspace(-MAINS_WANDER, MAINS_WANDER, 41))
    fundamental = max(grid, key=lambda f: float(powers(orders, f).sum()))
    harmonics = float(powers(orders, fundamental).sum())
    between = float(powers(orders + 0.5, fundamental).mean())
    u = np.sqrt(2 * harmonics * between + HARMONICS * between**2)
    return in_decibels(Estimate(harmonics, float(u), float(HARMONICS)))
