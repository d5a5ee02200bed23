"""THD+N, level and frequency of signals whose distortion is known, and against scipy's ways to them."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

sys.path.insert(0, str(Path(__file__).parent))
from signals import RATE, distorted, thd_n_by_notch, thd_n_by_spectrum, tone

from verifier.gather.tones.sine import fit_sine
from verifier.gather.tones.spectrum import FLOOR, band, hum, in_decibels, level, power_of, thd_n, tone_level


@pytest.mark.parametrize("ppm", [0, 100, -250])
@pytest.mark.parametrize(("known", "allowed"), [(-20, 0.01), (-40, 0.01), (-60, 0.01), (-80, 0.01), (-100, 0.01)])
def test_known_distortion_is_found(known: float, allowed: float, ppm: float) -> None:
    found = thd_n(distorted(known, frequency=997 * (1 + ppm * 1e-6)), RATE, 997.0)
    assert found.thd_n.value == pytest.approx(known, abs=allowed)
    assert found.tone.frequency == pytest.approx(997 * (1 + ppm * 1e-6), abs=1e-3)


def test_the_ratio_in_percent() -> None:
    """1 % is −40 dB, 0.01 % is −80 dB (arithmetic)."""
    assert thd_n(distorted(-40), RATE, 997.0).percent.value == pytest.approx(1.0, rel=2e-3)
    assert thd_n(distorted(-80), RATE, 997.0).percent.value == pytest.approx(0.01, rel=2e-3)


@pytest.mark.parametrize("known", [-40, -70, -90])
def test_scipys_spectrum_says_the_same(known: float) -> None:
    """An independent way: a windowed periodogram. It leaves out the noise within 4 Hz of the tone: 0.002 dB."""
    samples = distorted(known, seconds=4.0)
    assert thd_n(samples, RATE, 997.0).thd_n.value == pytest.approx(thd_n_by_spectrum(samples), abs=0.05)


def test_harmonics_alone_agree_with_a_meters_notch_filter() -> None:
    """Q of 2: the notch lets harmonics through but for 0.03 to 0.5 dB that its own response takes off them."""
    samples = distorted(-50, seconds=4.0, noise_share=0.0)
    w, response = signal.freqz(*signal.iirnotch(997.0, 2.0, RATE), worN=[2 * 997.0, 3 * 997.0, 5 * 997.0], fs=RATE)
    weights = np.array([1.0, 0.49, 0.09])
    taken_off = 10 * np.log10(np.sum(weights * np.abs(response) ** 2) / weights.sum())
    assert len(w) == 3
    assert thd_n_by_notch(samples, 2.0) - taken_off == pytest.approx(-50, abs=0.05)
    assert thd_n(samples, RATE, 997.0).thd_n.value == pytest.approx(-50, abs=0.005)


@pytest.mark.parametrize("quality", [1.0, 2.0, 5.0])
def test_a_notch_filter_takes_at_most_four_tenths_of_a_decibel_of_white_noise(quality: float) -> None:
    """As the docstring of thd_n says: the fit's figure is the worse one, by that much at the most."""
    samples = distorted(-60, seconds=8.0, noise_share=1.0)
    more = thd_n(samples, RATE, 997.0).thd_n.value - thd_n_by_notch(samples, quality)
    assert -0.02 <= more <= 0.45


def test_sixteen_bits_have_their_own_noise() -> None:
    """6.02 n + 1.76 dB for a full-scale sine (Bennett, BSTJ 27, 1948) over half the rate; 0.79 dB less in 20 of
    24 kHz.

    The tone's own frequency is no fraction of the rate, so that the error is nearly white.
    """
    for bits in (12, 16):
        steps = 2 ** (bits - 1)
        samples = np.round(tone(2.0, 1 - 1 / steps) * steps) / steps
        expected = -(6.0206 * bits + 1.76 + 10 * np.log10(24_000 / 19_980))
        assert thd_n(samples, RATE, 997.0).thd_n.value == pytest.approx(expected, abs=0.3)


def test_levels_are_those_of_aes17() -> None:
    """AES17: a sine of full-scale peak is 0 dBFS; peak 0.5 −6.02; a full-scale square +3.01 (arithmetic)."""
    assert level(float(np.mean(tone(1.0, 1.0) ** 2))) == pytest.approx(0.0, abs=1e-3)
    assert level(float(np.mean(tone(1.0, 0.5) ** 2))) == pytest.approx(-6.0206, abs=1e-3)
    assert level(float(np.mean(np.sign(tone(1.0, 1.0)) ** 2))) == pytest.approx(3.0103, abs=1e-4)
    assert tone_level(tone(2.0, 0.5), RATE, 997.0).value == pytest.approx(-6.0206, abs=1e-4)
    assert level(0.0) == FLOOR


@given(
    peak=st.floats(1e-3, 1.0),
    frequency=st.floats(980.0, 1015.0),
    phase=st.floats(-3.1, 3.1),
    offset=st.floats(-0.2, 0.2),
    count=st.integers(12_000, 30_000),
)
@settings(max_examples=40, deadline=None)
def test_a_sine_wave_is_fitted_exactly(
    peak: float, frequency: float, phase: float, offset: float, count: int
) -> None:
    samples = tone(count / RATE, peak, frequency, phase) + offset
    found = fit_sine(samples, RATE, 997.0)
    assert found.frequency == pytest.approx(frequency, abs=1e-6)
    assert found.amplitude == pytest.approx(peak, rel=1e-8)
    assert found.offset == pytest.approx(offset, abs=1e-9)
    assert np.max(np.abs(found.at(len(samples), RATE) - samples)) < 1e-8 * max(peak, 0.1)


def test_the_uncertainty_of_the_frequency_is_what_noise_makes_of_it() -> None:
    """Cramér–Rao bound: over 60 recordings, errors over their u scatter like a standard normal value."""
    random = np.random.default_rng(7)
    scores = []
    for _ in range(60):
        found = fit_sine(tone(0.25, 0.5) + 0.01 * random.standard_normal(RATE // 4), RATE, 997.0)
        scores.append((found.frequency - 997.0) / found.u_frequency)
    # s of 60 standard normal values lies within 0.7 and 1.3 but once in a thousand.
    assert 0.7 < np.std(scores) < 1.3 and abs(np.mean(scores)) < 0.5


def test_the_uncertainty_of_thd_n_is_what_noise_makes_of_it() -> None:
    """Errors over 60 recordings, held against the mean of the uncertainties that were told."""
    random = np.random.default_rng(11)
    truth = 10 * np.log10(2e-4**2 * 19_980 / 24_000 / (0.5**2 / 2))
    found = [thd_n(tone(0.5, 0.5) + 2e-4 * random.standard_normal(RATE // 2), RATE, 997.0) for _ in range(60)]
    errors = np.array([one.thd_n.value for one in found]) - truth
    told = np.sqrt(np.mean([one.thd_n.u**2 for one in found]))
    assert 0.7 < np.std(errors) / told < 1.4
    assert abs(np.mean(errors)) < 4 * told / np.sqrt(60)


def test_a_dc_offset_and_what_lies_outside_the_band_do_not_count() -> None:
    samples = distorted(-80) + 0.1 + tone(2.0, 0.1, 7.0) + tone(2.0, 0.1, 22_000.0)
    assert thd_n(samples, RATE, 997.0).thd_n.value == pytest.approx(-80, abs=0.05)


def test_noise_alone_and_silence_have_figures_too() -> None:
    noise = 0.01 * np.random.default_rng(3).standard_normal(2 * RATE)
    assert thd_n(noise, RATE, 997.0).thd_n.value == pytest.approx(0.0, abs=0.1)
    silence = thd_n(np.zeros(2 * RATE), RATE, 997.0)
    assert silence.thd_n.value == FLOOR and silence.tone.amplitude == 0
    with pytest.raises(ValueError, match="too few"):
        fit_sine(np.zeros(10), RATE, 997.0)


@pytest.mark.parametrize("mains", [50.0, 60.0])
@pytest.mark.parametrize("off", [0.0, 0.004, -0.007])
def test_hum_is_the_power_of_the_mains_and_its_harmonics(mains: float, off: float) -> None:
    """−60, −70 and −66 dBFS together: 10 log (10^−6 + 10^−7 + 10^−6.6) = −58.69 dB (arithmetic)."""
    frequency = mains * (1 + off)
    parts = {1: -60, 2: -70, 5: -66}
    samples = sum(tone(1.0, 10 ** (at / 20), order * frequency) for order, at in parts.items())
    samples = samples + 1e-4 * np.random.default_rng(5).standard_normal(RATE)
    found = hum(samples, RATE, mains)
    assert found.value == pytest.approx(-58.69, abs=0.1)
    assert 0 < found.u < 0.2


def test_hum_of_noise_is_no_more_than_the_noise_in_its_bands() -> None:
    noise = 1e-3 * np.random.default_rng(5).standard_normal(RATE)
    found = hum(noise, RATE, 50.0)
    assert found.value < in_decibels(power_of(band(noise, RATE))).value - 20
    assert hum(np.zeros(RATE), RATE, 50.0).value == FLOOR


@given(low=st.floats(30, 2000), width=st.floats(50, 10_000), at=st.floats(40, 19_000))
@settings(max_examples=30, deadline=None)
def test_a_band_holds_what_is_in_it(low: float, width: float, at: float) -> None:
    if min(abs(at - low), abs(at - low - width)) < 25:
        return  # on the edge
    power = power_of(band(tone(1.0, 0.5, at), RATE, low, low + width)).value
    assert power == pytest.approx(0.125 if low < at < low + width else 0.0, abs=5e-4)
