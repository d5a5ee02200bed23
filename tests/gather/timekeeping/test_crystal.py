"""The crystal's parabola, on the data sheet's own example, and its uncertainty against simulation."""

import math

import numpy as np
import pytest

from verifier.gather.timekeeping.crystal import K, from_room, parabola


def test_the_worked_example() -> None:
    """MAX6902 data sheet, p. 14: at 45 °C with the worst k = -0.04 ppm/°C² and T0 = 20 °C: -25 ppm, 0.8192 Hz."""
    assert parabola(45, k=-0.04, turnover=20) == pytest.approx(-25.0)
    assert parabola(45, k=-0.04, turnover=20) * 32768e-6 == pytest.approx(-0.8192)


@pytest.mark.parametrize(("temperature", "ppm"), [(45, -14.0), (0, -21.875), (-20, -70.875), (25, 0.0)])
def test_the_nominal_parabola(temperature: float, ppm: float) -> None:
    """k = -0.035 ppm/°C², T0 = 25 °C of the same page: arithmetic."""
    assert parabola(temperature) == pytest.approx(ppm)


@pytest.mark.parametrize(("temperature", "within"), [(25.0, 3.0), (35.0, 2.0), (10.0, 5.0), (25.0, 0.0)])
def test_the_uncertainty_holds_what_the_bounds_can_do(temperature: float, within: float) -> None:
    """Against 200,000 draws from the bounds themselves, and never smaller."""
    rng, n = np.random.default_rng(3), 200_000
    k = K + rng.uniform(-0.005, 0.005, n)
    top = 25 + rng.uniform(-5, 5, n)
    at = temperature + rng.uniform(-within, within, n)
    drawn = k * ((at - top) ** 2 - (25 - top) ** 2)
    effect, parts = from_room(temperature, within)
    u = math.hypot(*(p.u for p in parts)) if parts else 0.0
    assert effect == pytest.approx(parabola(temperature), abs=1e-12)
    assert float(drawn.std()) <= u * 1.01
    assert u <= float(drawn.std()) * 1.25 + 1e-9
