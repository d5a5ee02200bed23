"""A recording held against what was played: which side arrives where, and how well.

A side *arrives* at an input when its tone is there within 20 dB of the strongest tone anywhere and stands out of
that input's noise in the octaves about it: hum may be louder. Two sides that arrive at each other's inputs are
swapped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from verifier.gather.tones import spectrum
from verifier.gather.tones.sine import Samples
from verifier.gather.tones.spectrum import Distorted, Estimate
from verifier.gather.tones.stimulus import TONE, Arrival, Stimulus, arrival

WEAKEST = -70.0
"""dBFS under which nothing counts as a tone that arrived."""
BEHIND = 20.0
"""Decibels that an arriving tone may be weaker than the strongest."""
CLEARLY = 3.0
"""Decibels that a tone has to be stronger in the other side's input to belong there."""
SAME = 0.001
"""Seconds that the delays of two sides may differ."""
OUT_OF_NOISE = 10.0
"""Decibels that it has to stand out of the noise between half and twice its frequency."""
MARGIN = 0.03
"""Seconds of a part that are left out at each end: ramps, and clocks that run apart by up to 1 %."""
FULL = 0.999
"""Of full scale: where converters stop."""
CLIPPED_RUN = 3
"""Samples at full scale in a row that no sine wave has."""
GAP_BLOCK = 0.005
"""Seconds of the blocks in which a tone may not drop or jump."""
GAP_LEVEL = 0.5
"""Of the tone's usual amplitude: less is a gap."""
JUMP, SCATTERS = 0.06, 8.0
"""Radians between two blocks, and how many times their usual scatter: more than both is a place where samples were
lost or came twice."""


@dataclass(frozen=True, slots=True)
class Side:
    """What became of one side of the output."""

    arrived: bool
    input: int
    """Where its tone is: its own side's, unless it is clearly stronger in the other."""
    level: Estimate
    """dBFS of its tone there."""
    distorted: Distorted | None
    """None unless it arrived."""
    crosstalk: Estimate | None
    """Decibels: its tone in the other input over its tone here. None with a single input."""
    delay: float | None
    """Seconds, by the clock that recorded."""
    inverted: bool | None
    dropouts: int
    clipped: int


@dataclass(frozen=True, slots=True)
class Loop:
    sides: tuple[Side, Side]
    whole: bool
    """Whether it was recorded at one go: the chirps of all sides that arrive are there, equally late."""
    swapped: bool | None
    """None with a single input, or where one side does not arrive."""
    noise: Estimate
    """dBFS from 20 Hz to 20 kHz in silence, of the noisiest input."""
    hum: Estimate
    """dBFS of mains and harmonics in silence, of the input that hums most."""
    offset: float
    """Largest DC offset of an input in silence, of full scale."""


def heard(played: Stimulus, recorded: NDArray[np.float64], mains: float) -> Loop:
    """What a recording (frames by inputs) says of the way that `played` took.

    ValueError where it is shorter than what was played, or holds anything but finite numbers.
    """
    if recorded.ndim != 2 or len(recorded) < len(played.frames) or not np.isfinite(recorded).all():
        raise ValueError("a recording has as many frames as were played, all of them finite numbers")
    inputs = [np.ascontiguousarray(recorded[:, n]) for n in range(recorded.shape[1])]
    arrivals = [_strongest(played, inputs, side) for side in (0, 1)]
    delays = [found.delay for found in arrivals if found]
    delay = min(delays) if delays else 0
    silences = [_part(played, channel, played.quiet, delay) for channel in inputs]
    noises = [spectrum.power_of(spectrum.band(silence, played.rate)) for silence in silences]
    hums = [spectrum.hum(silence, played.rate, mains) for silence in silences]
    tones = [[_part(played, channel, part, delay) for channel in inputs] for part in played.tones]
    levels = [[spectrum.tone_level(channel, played.rate, TONE) for channel in side] for side in tones]
    strongest = max(one.value for side in levels for one in side)
    near = [spectrum.power_of(spectrum.band(silence, played.rate, TONE / 2, 2 * TONE)) for silence in silences]
    noise_levels = [spectrum.level(power.value) for power in near]
    left, right = (
        _side(n, played.rate, tones[n], levels[n], noise_levels, strongest, arrivals[n]) for n in (0, 1)
    )
    swapped = None
    if len(inputs) > 1 and left.arrived and right.arrived:
        swapped = (left.input, right.input) == (1, 0)
    return Loop(
        sides=(left, right),
        whole=_at_one_go([side.delay for side in (left, right) if side.arrived]),
        swapped=swapped,
        noise=spectrum.in_decibels(max(noises, key=lambda p: p.value)),
        hum=max(hums, key=lambda p: p.value),
        offset=max((float(np.mean(silence)) for silence in silences), key=abs),
    )


def _at_one_go(delays: list[float | None]) -> bool:
    found = [delay for delay in delays if delay is not None]
    return len(found) == len(delays) and (not found or max(found) - min(found) <= SAME)


def _strongest(played: Stimulus, inputs: list[Samples], side: int) -> Arrival | None:
    found = [one for channel in inputs if (one := arrival(played, channel, side))]
    return max(found, key=lambda one: one.strength, default=None)


def _part(played: Stimulus, channel: Samples, part: tuple[int, int], delay: int) -> Samples:
    margin = round(MARGIN * played.rate)
    start = part[0] + delay
    return channel[start + margin : start + part[1] - margin]


def _side(
    own: int,
    rate: int,
    tones: list[Samples],
    levels: list[Estimate],
    noises: list[float],
    strongest: float,
    arrived: Arrival | None,
) -> Side:
    at = min(own, len(levels) - 1)
    strongest_input = max(range(len(levels)), key=lambda n: levels[n].value)
    if levels[strongest_input].value > levels[at].value + CLEARLY:
        at = strongest_input
    there = levels[at].value >= max(WEAKEST, strongest - BEHIND, noises[at] + OUT_OF_NOISE)
    distorted = spectrum.thd_n(tones[at], rate, TONE) if there else None
    # The clock that recorded may run off: the tone is looked for where it was found.
    frequency = distorted.tone.frequency if distorted else TONE
    level = spectrum.tone_level(tones[at], rate, frequency)
    crosstalk = None
    if there and len(tones) > 1:
        other = spectrum.tone_level(tones[1 - at], rate, frequency)
        crosstalk = Estimate(other.value - level.value, float(np.hypot(other.u, level.u)), other.dof)
    return Side(
        arrived=there,
        input=at,
        level=level,
        distorted=distorted,
        crosstalk=crosstalk,
        delay=arrived.delay / rate if arrived and there else None,
        inverted=arrived.inverted if arrived and there else None,
        dropouts=dropouts(tones[at], rate, frequency) if there else 0,
        clipped=clipped(tones[at]),
    )


def clipped(samples: Samples) -> int:
    """Samples that stand at full scale, three or more in a row on the same side."""
    return sum(_runs(samples >= FULL)) + sum(_runs(samples <= -FULL))


def _runs(at_full: NDArray[np.bool_]) -> list[int]:
    """Lengths of the runs that are long enough."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], at_full, [False])).astype(np.int8)))
    return [int(n) for n in edges[1::2] - edges[::2] if n >= CLIPPED_RUN]


def dropouts(samples: Samples, rate: float, frequency: float) -> int:
    """Places where a tone drops out, or where its phase jumps because samples are missing or came twice.

    A jump by whole periods of the tone does not show.
    """
    size = round(GAP_BLOCK * rate)
    count = len(samples) // size * size
    turning = np.exp(-2j * np.pi * frequency / rate * np.arange(count))
    blocks = ((samples[:count] - samples.mean()) * turning).reshape(-1, size).mean(axis=1)
    sizes = np.abs(blocks)
    gaps = sizes < GAP_LEVEL * np.median(sizes)
    turned = np.angle(blocks[1:] * np.conj(blocks[:-1]))
    strayed = np.abs(turned - np.median(turned))
    jumps = strayed > max(JUMP, SCATTERS * float(np.median(strayed)))
    bad = gaps.copy()
    bad[1:] |= jumps
    # A hole shows in the blocks before, in and behind it: they are one place.
    places = np.flatnonzero(bad)
    return int(np.sum(np.diff(places) > 2) + 1) if len(places) else 0
