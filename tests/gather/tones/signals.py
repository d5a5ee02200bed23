"""Signals whose distortion is known because it was put in, and a second way to measure them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import signal

RATE = 48_000
Samples = NDArray[np.float64]


def tone(seconds: float, peak: float, frequency: float = 997.0, phase: float = 0.3, rate: int = RATE) -> Samples:
    return np.asarray(peak * np.sin(2 * np.pi * frequency / rate * np.arange(round(seconds * rate)) + phase))


def distorted(
    thd_n: float,
    seconds: float = 2.0,
    peak: float = 0.5,
    frequency: float = 997.0,
    noise_share: float = 0.5,
    seed: int = 1,
) -> Samples:
    """A tone with harmonics and noise of 20 Hz to 20 kHz, together exactly `thd_n` dB of all.

    The noise is made free of the tone and the harmonics, and its power is that of these very samples: what is
    known is then known exactly, not on average.
    """
    count = round(seconds * RATE)
    beside = peak**2 / 2 * 10 ** (thd_n / 10) / (1 - 10 ** (thd_n / 10))
    order = {2: 1.0, 3: 0.7, 5: 0.3}
    harmonics = sum(a * tone(seconds, 1.0, k * frequency, k) for k, a in order.items())
    harmonics = harmonics * np.sqrt((1 - noise_share) * beside / np.mean(harmonics**2))
    random = np.random.default_rng(seed)
    filter_ = signal.butter(8, (40, 18_000), "bandpass", fs=RATE, output="sos")
    noise = signal.sosfilt(filter_, random.standard_normal(count + RATE))[RATE:]
    waves = [np.ones(count)]
    for k in (1, *order):
        waves += [tone(seconds, 1.0, k * frequency, p) for p in (0.0, np.pi / 2)]
    basis = np.stack(waves, axis=1)
    noise = noise - basis @ np.linalg.lstsq(basis, noise, rcond=None)[0]
    noise = noise * np.sqrt(noise_share * beside / np.mean(noise**2)) if noise_share else 0 * noise
    return np.asarray(tone(seconds, peak, frequency) + harmonics + noise)


def thd_n_by_spectrum(samples: Samples, near: float = 997.0, wide: float = 4.0) -> float:
    """THD+N in dB by scipy's windowed periodogram: the bins about the tone against all others."""
    frequencies, power = signal.periodogram(samples, RATE, window="blackmanharris", detrend="constant")
    band = (frequencies >= 20) & (frequencies <= 20_000)
    fundamental = np.abs(frequencies - near) <= wide
    return float(10 * np.log10(power[band & ~fundamental].sum() / power[band].sum()))


def thd_n_by_notch(samples: Samples, quality: float, near: float = 997.0) -> float:
    """THD+N in dB as a meter has it: a notch filter of that Q, then 20 Hz to 20 kHz, by scipy."""
    notch = signal.tf2sos(*signal.iirnotch(near, quality, RATE))
    band = signal.butter(6, (20, 20_000), "bandpass", fs=RATE, output="sos")
    settled = slice(RATE // 2, None)
    left = signal.sosfilt(band, signal.sosfilt(notch, samples))[settled]
    everything = signal.sosfilt(band, samples)[settled]
    return float(10 * np.log10(np.mean(left**2) / np.mean(everything**2)))
