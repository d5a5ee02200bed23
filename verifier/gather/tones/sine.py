"""A sine wave in samples: amplitude, frequency, phase and what is left over.

The four-parameter fit is that of IEEE Std 1057-2017, 4.6 and annex B (numbers recalled): linear least squares in
A, B, C, and Gauss–Newton in the frequency, because the clock that recorded need not be the clock that played.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]
"""Samples of one channel; digital full scale is ±1."""

ROUNDS = 8
"""Of Gauss–Newton; it converges in three from the start below."""
BLOCK = 0.02
"""Seconds of the blocks whose phase gives the frequency to start from: good to ±25 Hz."""


@dataclass(frozen=True, slots=True)
class Sine:
    """offset + amplitude · sin(2π · frequency · t + phase), with t from the first sample."""

    amplitude: float
    """Peak, of full scale."""
    frequency: float
    """Hertz of the clock that recorded."""
    phase: float
    """Radians."""
    offset: float
    """Of full scale."""
    u_frequency: float
    """Standard uncertainty in hertz, from what is left over taken as white noise (Cramér–Rao bound)."""

    def at(self, count: int, rate: float) -> Samples:
        """The wave itself, `count` samples of it."""
        turns = 2 * np.pi * self.frequency / rate * np.arange(count)
        return np.asarray(self.offset + self.amplitude * np.sin(turns + self.phase))


def fit_sine(samples: Samples, rate: float, near: float) -> Sine:
    """The sine wave of a frequency near `near` (within 25 Hz) that fits best.

    ValueError for fewer samples than five periods hold.
    """
    count = len(samples)
    if count < 5 * rate / near:
        raise ValueError(f"{count} samples are too few for a sine wave of {near:g} Hz")
    # Time counted from the middle and scaled: else the equations are ill-conditioned.
    time = (np.arange(count) - (count - 1) / 2) / rate
    span = count / rate
    frequency = near + _slip(samples, rate, near)
    for _ in range(ROUNDS):
        turns = 2 * np.pi * frequency * time
        cosine, sine = np.cos(turns), np.sin(turns)
        a, b, offset = _solved(np.stack((cosine, sine, np.ones(count))), samples)
        slope = (b * cosine - a * sine) * (2 * np.pi * time / span)
        step = float(_solved(np.stack((cosine, sine, np.ones(count), slope)), samples)[3]) / span
        if not abs(step) < 1 / span:
            break  # nothing there to follow: the frequency stays what it was
        frequency += step
        if abs(step) * span < 1e-10:
            break
    turns = 2 * np.pi * frequency * time
    cosine, sine = np.cos(turns), np.sin(turns)
    a, b, offset = _solved(np.stack((cosine, sine, np.ones(count))), samples)
    amplitude = float(np.hypot(a, b))
    left = samples - (a * cosine + b * sine + offset)
    noise = float(np.sqrt(np.mean(left**2)))
    u = np.sqrt(6 / count) * noise / (np.pi * amplitude * span) if amplitude else np.inf
    # a cos + b sin = A sin(ωt + φ) with φ = atan2(a, b), from the middle; then back to the first sample.
    phase = np.arctan2(a, b) + 2 * np.pi * frequency * time[0]
    return Sine(amplitude, float(frequency), float(np.angle(np.exp(1j * phase))), float(offset), float(u))


def amplitude_at(samples: Samples, rate: float, frequency: float) -> float:
    """Peak amplitude at a known frequency: the three-parameter fit of IEEE Std 1057."""
    turns = 2 * np.pi * frequency / rate * np.arange(len(samples))
    a, b, _ = _solved(np.stack((np.cos(turns), np.sin(turns), np.ones(len(samples)))), samples)
    return float(np.hypot(a, b))


def _solved(rows: NDArray[np.float64], samples: Samples) -> NDArray[np.float64]:
    """Least squares by the normal equations; the columns are nearly orthogonal, so that nothing is lost."""
    return np.asarray(np.linalg.lstsq(rows @ rows.T, rows @ samples, rcond=None)[0])


def _slip(samples: Samples, rate: float, near: float) -> float:
    """How far the frequency is from `near`, in hertz: by how much the phase turns from block to block."""
    size = max(1, round(BLOCK * rate))
    blocks = len(samples) // size
    if blocks < 2:
        return 0.0
    turning = np.exp(-2j * np.pi * near / rate * np.arange(blocks * size))
    means = ((samples[: blocks * size] - samples.mean()) * turning).reshape(blocks, size).mean(axis=1)
    steps = np.sum(means[1:] * np.conj(means[:-1]))
    return float(np.angle(steps) / (2 * np.pi) * rate / size)
