"""What is played into a loop-back, and where each part of it stands in the recording.

One after the other: a rising chirp on the left, a falling one on the right, silence, the tone on the left, the
tone on the right. The chirps tell the two sides apart, give each one's delay and polarity by correlation, and
survive the loss of the other; with the tone on one side at a time everything in it comes from that side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from verifier.gather.tones.sine import Samples

TONE = 997.0
"""Hertz (AES17): no whole fraction of a sampling rate, so that all codes of a converter are used."""
CHIRP = 0.1
"""Seconds of a chirp."""
CHIRP_BAND = (400.0, 6000.0)
"""Hertz that a chirp sweeps over."""
LEAD = 0.5
"""Seconds before the first chirp: outputs fade in, and streams start late."""
PAUSE = 0.15
"""Seconds between parts."""
QUIET = 1.0
"""Seconds of silence in which noise and hum are read."""
TAIL = 1.0
"""Seconds of silence at the end: the longest delay that is found."""
RAMP = 0.01
"""Seconds in which each part rises and falls, so that nothing clicks."""
PEAK_OVER_REST = 8.0
"""How far a correlation's peak has to stand out of its RMS to be one."""


@dataclass(frozen=True, slots=True)
class Stimulus:
    """The whole of it: frames by two channels, and the first frame and length of each part."""

    rate: int
    frames: NDArray[np.float64]
    chirps: tuple[tuple[int, Samples], tuple[int, Samples]]
    quiet: tuple[int, int]
    tones: tuple[tuple[int, int], tuple[int, int]]


def stimulus(rate: int, level: float, seconds: float) -> Stimulus:
    """The signal at a sampling rate in Hz: chirps and tones of `level` dBFS, `seconds` of tone on each side."""
    peak = 10 ** (level / 20)
    pause, chirp, tone = round(PAUSE * rate), round(CHIRP * rate), round(seconds * rate)
    start = round(LEAD * rate)
    starts = [start, start + chirp + pause]
    quiet = starts[1] + chirp + pause
    tones = [quiet + round(QUIET * rate) + pause]
    tones.append(tones[0] + tone + pause)
    frames = np.zeros((tones[1] + tone + round(TAIL * rate), 2))
    rising = _shaped(_chirp(rate, chirp), rate)
    chirps = (rising, rising[::-1].copy())
    time = np.arange(tone) / rate
    for side in (0, 1):
        frames[starts[side] : starts[side] + chirp, side] = peak * chirps[side]
        frames[tones[side] : tones[side] + tone, side] = peak * _shaped(np.sin(2 * np.pi * TONE * time), rate)
    return Stimulus(
        rate,
        frames,
        ((starts[0], chirps[0]), (starts[1], chirps[1])),
        (quiet, round(QUIET * rate)),
        ((tones[0], tone), (tones[1], tone)),
    )


def _chirp(rate: int, count: int) -> Samples:
    low, high = CHIRP_BAND
    time = np.arange(count) / rate
    return np.asarray(np.sin(2 * np.pi * (low * time + (high - low) * time**2 / (2 * CHIRP))))


def _shaped(wave: Samples, rate: int) -> Samples:
    ramp = np.sin(np.linspace(0, np.pi / 2, round(RAMP * rate))) ** 2
    shaped = wave.copy()
    shaped[: len(ramp)] *= ramp
    shaped[len(shaped) - len(ramp) :] *= ramp[::-1]
    return shaped


@dataclass(frozen=True, slots=True)
class Arrival:
    """Where a chirp was found in one input."""

    delay: int
    """Frames after it was played."""
    inverted: bool
    strength: float
    """Of the correlation's peak, in units of the chirp's own: about the gain of the way."""


def arrival(played: Stimulus, recorded: Samples, side: int) -> Arrival | None:
    """The delay of one side's chirp in a recording; None where it does not stand out."""
    start, chirp = played.chirps[side]
    longest = round(TAIL * played.rate)
    heard = recorded[start : start + len(chirp) + longest]
    if len(heard) <= len(chirp):
        return None
    size = len(heard) + len(chirp)
    product = np.fft.rfft(heard - heard.mean(), size) * np.conj(np.fft.rfft(chirp, size))
    correlation = np.fft.irfft(product, size)[: len(heard) - len(chirp)]
    rest = float(np.sqrt(np.mean(correlation**2)))
    at = int(np.argmax(np.abs(correlation)))
    peak = float(correlation[at])
    if rest == 0 or abs(peak) < PEAK_OVER_REST * rest:
        return None
    return Arrival(at, peak < 0, abs(peak) / float(np.sum(chirp**2)))
