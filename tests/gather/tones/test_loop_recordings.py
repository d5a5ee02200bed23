"""Recordings of a loop-back: which side arrives where, and what is wrong with the way."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal
from scipy.interpolate import CubicSpline

from verifier.gather.tones.loop import Loop, clipped, dropouts, heard
from verifier.gather.tones.stimulus import TAIL, stimulus

RATE = 48_000
PLAYED = stimulus(RATE, -6.0, 1.0)
Frames = NDArray[np.float64]


def way(
    gains: Any = ((1.0, 0.0), (0.0, 1.0)), *, delay: int = 2000, noise: float = 1e-5, frames: Frames | None = None
) -> Frames:
    """What a loop-back gives: `gains` has a row for each output side, a column for each input."""
    came = np.roll(PLAYED.frames if frames is None else frames, delay, axis=0) @ np.array(gains)
    return np.asarray(came + noise * np.random.default_rng(2).standard_normal(came.shape))


def of(recorded: Frames) -> Loop:
    return heard(PLAYED, recorded, 50.0)


def test_a_sound_way() -> None:
    found = of(way(((0.5, 0.0005), (0.001, 0.5)), noise=1e-6))
    left, right = found.sides
    assert left.arrived and right.arrived and found.swapped is False
    assert (left.input, right.input) == (0, 1)
    assert left.level.value == pytest.approx(-6 - 6.0206, abs=0.001)
    assert left.crosstalk is not None and left.crosstalk.value == pytest.approx(-60.0, abs=0.05)
    assert right.crosstalk is not None and right.crosstalk.value == pytest.approx(-53.98, abs=0.05)
    assert left.delay == right.delay == 2000 / RATE
    assert not left.inverted and not right.inverted
    assert (left.dropouts, left.clipped) == (0, 0)
    assert left.distorted is not None and left.distorted.thd_n.value < -90


def test_swapped() -> None:
    found = of(way(((0, 1), (1, 0))))
    assert found.swapped is True
    assert [side.input for side in found.sides] == [1, 0]
    assert found.sides[0].crosstalk is not None and found.sides[0].crosstalk.value < -60


@pytest.mark.parametrize("missing", [0, 1])
def test_one_side_missing(missing: int) -> None:
    """The other one's crosstalk and the lost side's own leakage are not taken for it."""
    gains = np.array([[1.0, 1e-3], [1e-3, 1.0]])
    gains[missing] *= 1e-2
    found = of(way(gains))
    assert [side.arrived for side in found.sides] == [missing == 1, missing == 0]
    assert found.swapped is None and found.sides[missing].distorted is None


@pytest.mark.parametrize("right", [0.49, 0.5, 0.51])
def test_mono_where_stereo_was_meant(right: float) -> None:
    """Not swapped, whichever input happens to be the stronger one."""
    found = of(way(((0.5, right), (0.5, right))))
    assert all(side.arrived for side in found.sides)
    assert all(side.crosstalk and abs(side.crosstalk.value) < 0.2 for side in found.sides)
    assert found.swapped is False


def test_a_mono_input_hears_both_sides_in_turn() -> None:
    found = of(way(((0.5,), (0.25,))))
    left, right = found.sides
    assert left.arrived and right.arrived and found.swapped is None and left.crosstalk is None
    assert left.level.value - right.level.value == pytest.approx(6.0206, abs=0.001)
    lost = of(way(((0.5,), (0.0,))))
    assert [side.arrived for side in lost.sides] == [True, False]


def test_nothing_arrives() -> None:
    for recorded in (way(((0, 0), (0, 0))), 0 * PLAYED.frames):
        found = of(recorded)
        assert not any(side.arrived for side in found.sides) and found.swapped is None
    assert of(0 * PLAYED.frames).noise.value == -200


def test_polarity_of_each_side() -> None:
    found = of(way(((1, 0), (0, -1))))
    assert [side.inverted for side in found.sides] == [False, True]


def test_opposite_polarities_in_a_mono_input() -> None:
    """They would cancel if both sides were played at once."""
    found = of(way(((0.5,), (-0.5,))))
    assert [(side.arrived, side.inverted) for side in found.sides] == [(True, False), (True, True)]


def test_hum_noise_and_offset_are_read_in_the_silence() -> None:
    recorded = way(noise=1e-4)
    time = np.arange(len(recorded)) / RATE
    recorded[:, 1] += 0.01 * np.sin(2 * np.pi * 50.1 * time) + 0.02
    found = of(recorded)
    assert found.hum.value == pytest.approx(-40, abs=0.05)
    assert found.noise.value == pytest.approx(-40, abs=0.1)
    assert found.offset == pytest.approx(0.02, rel=0.01)
    quiet = of(way(noise=1e-4))
    # RMS 1e-4 in 24 kHz: −80 + 3.01 − 0.80 dB in 20 kHz (arithmetic).
    assert quiet.noise.value == pytest.approx(-77.79, abs=0.3)
    assert quiet.hum.value < -100


def test_hum_that_is_louder_than_the_tone_is_hum_and_no_lost_side() -> None:
    """0.3 of full scale is −10.46 dBFS (arithmetic)."""
    recorded = way(((0.5, 0), (0, 0.5)))
    recorded += 0.3 * np.sin(2 * np.pi * 50 * np.arange(len(recorded)) / RATE)[:, None]
    found = of(recorded)
    assert found.hum.value == pytest.approx(-10.46, abs=0.05)
    assert all(side.arrived and side.level.value == pytest.approx(-12.02, abs=0.01) for side in found.sides)


def test_a_tone_that_never_stops_comes_from_elsewhere() -> None:
    steady = 0.2 * np.sin(2 * np.pi * 997 * np.arange(len(PLAYED.frames)) / RATE)
    assert not any(side.arrived for side in of(np.stack((steady, steady), axis=1)).sides)


@pytest.mark.parametrize("seed", range(5))
def test_noise_alone_is_no_tone(seed: int) -> None:
    noise = 0.1 * np.random.default_rng(seed).standard_normal(PLAYED.frames.shape)
    assert not any(side.arrived for side in of(noise).sides)


def test_clipping_is_counted_and_shows_as_distortion() -> None:
    found = of(np.clip(way(((2.5, 0), (0, 1))), -1, 1))
    left, right = found.sides
    assert left.clipped > 1000 and right.clipped == 0
    assert left.distorted is not None and left.distorted.thd_n.value > -30


def test_a_full_scale_sine_is_not_clipped() -> None:
    played = stimulus(RATE, 0.0, 1.0)
    # Its crests touch full scale for two samples and more, below 44 degrees in a thousandth of the peak.
    assert clipped(0.998 * played.frames[:, 0]) == 0
    assert clipped(np.array([0, 1, 1, 0, 1, 1, 1, -1, -1, -1, -1, 0.0])) == 7


@pytest.mark.parametrize("lost", [7, 31, 100, 480])
def test_lost_samples_are_found(lost: int) -> None:
    """Cut out in the middle of the left tone: everything behind comes earlier by so many."""
    at = PLAYED.tones[0][0] + 2000 + RATE // 2
    recorded = way()
    cut = np.concatenate((recorded[:at], recorded[at + lost :], np.zeros((lost, 2))))
    left, right = of(cut).sides
    assert left.dropouts == 1 and right.dropouts == 0


def test_a_recording_that_was_not_made_at_one_go_is_known() -> None:
    """Without a chirp that was played, or with its sides late by different times."""
    assert of(way()).whole and of(way(((0.5,), (0.0,)))).whole and of(0 * PLAYED.frames).whole
    first, second = (start + 2000 for start, _ in PLAYED.chirps)
    without = way()
    without[first : first + 4800] = 0
    assert not of(without).whole
    between = (first + second + 4800) // 2
    late = np.concatenate((way()[:between], np.zeros((100, 2)), way()[between:]))[: len(PLAYED.frames)]
    assert not of(late).whole


def test_holes_are_found() -> None:
    recorded = way()
    for second in (0.3, 0.6):
        at = PLAYED.tones[1][0] + 2000 + round(second * RATE)
        recorded[at : at + 600] = 0
    left, right = of(recorded).sides
    assert left.dropouts == 0 and right.dropouts == 2


def test_a_tone_in_noise_has_no_dropouts() -> None:
    random = np.random.default_rng(4)
    time = np.arange(RATE) / RATE
    samples = 0.1 * np.sin(2 * np.pi * 997 * time) + 0.01 * random.standard_normal(RATE)
    assert dropouts(samples, RATE, 997.0) == 0


@pytest.mark.parametrize("frames", [24, -24])
def test_clocks_that_run_apart(frames: int) -> None:
    """Played by one card and recorded by another whose clock is about 100 ppm off."""
    count = len(PLAYED.frames)
    ratio = count / (count + frames)
    stretched = np.zeros((count, 2))
    resampled = signal.resample(PLAYED.frames, count + frames)[:count]
    stretched[: len(resampled)] = resampled
    found = of(way(frames=stretched, noise=1e-6))
    for side in found.sides:
        assert side.distorted is not None
        assert side.distorted.tone.frequency == pytest.approx(997 * ratio, abs=1e-3)
        assert side.level.value == pytest.approx(-6, abs=0.001)
        assert side.distorted.thd_n.value < -90
        assert side.dropouts == 0


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_a_known_distortion_at_other_rates_beside_an_offset_and_a_clock_that_is_off(rate: int) -> None:
    """x − d x³ of a sine of peak A: third harmonic d A³/4, fundamental A − 3 d A³/4 (arithmetic)."""
    played, d, ppm = stimulus(rate, -6.0, 1.0), 0.1, 100e-6
    count = len(played.frames)
    late = CubicSpline(np.arange(count), np.roll(played.frames, 480, axis=0))(np.arange(count) * (1 + ppm))
    found = heard(played, late - d * late**3 + 0.2, 50.0)
    peak = 10 ** (-6 / 20)
    fundamental, third = peak - 0.75 * d * peak**3, d * peak**3 / 4
    assert found.offset == pytest.approx(0.2, abs=1e-6)
    for side in found.sides:
        assert side.distorted is not None and side.dropouts == side.clipped == 0
        assert side.level.value == pytest.approx(20 * np.log10(fundamental), abs=0.001)
        assert side.distorted.thd_n.value == pytest.approx(
            10 * np.log10(third**2 / (fundamental**2 + third**2)), abs=0.01
        )
        assert side.distorted.tone.frequency == pytest.approx(997 * (1 + ppm), abs=1e-3)


@given(
    delay=st.integers(0, int(TAIL * RATE) - 200),
    gain=st.floats(0.003, 1.9),
    sign=st.sampled_from([1, -1]),
)
@settings(max_examples=15, deadline=None)
def test_any_delay_gain_and_polarity(delay: int, gain: float, sign: int) -> None:
    found = of(way(((sign * gain, 0), (0, gain)), delay=delay, noise=1e-6))
    for side, turned in zip(found.sides, (sign < 0, False), strict=True):
        assert side.arrived and side.inverted is turned
        assert side.delay == pytest.approx(delay / RATE, abs=0.5 / RATE)
        assert side.level.value == pytest.approx(-6 + 20 * np.log10(gain), abs=0.01)


@pytest.mark.parametrize("bits", [8, 16, 24])
def test_the_distortion_of_quantised_recordings_is_their_own(bits: int) -> None:
    """6.02 n + 1.76 dB of a full-scale tone (Bennett, BSTJ 27, 1948), 6 dB less here; not quite white."""
    steps = 2 ** (bits - 1)
    found = of(np.round(way(noise=0.0) * steps) / steps).sides[0].distorted
    assert found is not None
    expected = -(6.0206 * bits + 1.76 - 6.0 + 0.79)
    assert found.thd_n.value == pytest.approx(expected, abs=0.5 if bits > 8 else 1.0)


@pytest.mark.parametrize("recorded", [np.zeros((100, 2)), np.full((len(PLAYED.frames), 2), np.nan), np.zeros(5)])
def test_what_is_no_recording(recorded: Frames) -> None:
    with pytest.raises(ValueError, match="recording"):
        of(recorded)
