"""Supply currents of known shape, taken apart: with noise, dropouts, bursts, and what never settles."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.gather.probes.phases import (
    Phases,
    longest_at_limit,
    noise_of,
    running_median,
    segment,
    standing_at_limit,
)

DT = 0.05
STANDBY, IDLE, PRESS, BOOTED = 0.008, 0.31, 4.0, 24.0


def boot(t: float) -> float:
    """Standby, then 0.9 A for the first seconds after the press, a ramp down, and idle."""
    if t < PRESS:
        return STANDBY
    if t < PRESS + 8:
        return 0.9
    return max(IDLE, 0.9 - (0.9 - IDLE) * (t - PRESS - 8) / (BOOTED - PRESS - 8))


def trace(
    shape: Callable[[float], float], seconds: float = 60.0, noise: float = 0.0, seed: int = 1
) -> tuple[list[float], list[float]]:
    chance = random.Random(seed)
    times = [n * DT for n in range(round(seconds / DT))]
    return times, [shape(t) + (chance.gauss(0, noise) if noise else 0.0) for t in times]


def apart(times: list[float], values: list[float], **more: float) -> Phases:
    settings = {"before": STANDBY, "since": PRESS - 1, "steady": 5.0, "band": 0.1, "floor": 0.002, **more}
    return segment(times, values, **settings)


def idle_of(values: list[float], found: Phases) -> float:
    return sum(values[n] for n in found.tail) / len(found.tail)


# Where the ramp comes within a tenth of idle: 0.341 A.
WITHIN = PRESS + 8 + (0.9 - 1.1 * IDLE) / (0.9 - IDLE) * (BOOTED - PRESS - 8)


@pytest.mark.parametrize("noise", [0.0, 0.002, 0.01])
@pytest.mark.parametrize("seed", range(5))
def test_a_clean_start_with_and_without_noise(noise: float, seed: int) -> None:
    times, values = trace(boot, noise=noise, seed=seed)
    found = apart(times, values, floor=max(0.002, 6 * noise))
    assert found.rise == pytest.approx(PRESS, abs=2 * DT)
    # Noise moves the moment at which it comes within the band by what the ramp takes for three times the noise.
    slope = (0.9 - IDLE) / (BOOTED - PRESS - 8)
    assert found.settled == pytest.approx(WITHIN, abs=3 * DT + 3 * noise / slope)
    assert idle_of(values, found) == pytest.approx(IDLE, abs=max(1e-9, noise))
    assert found.dropouts == 0


def test_dropouts_and_wild_samples_decide_nothing_and_dropouts_are_counted() -> None:
    times, values = trace(boot, noise=0.001)
    for at in (2.0, 10.0):
        values[round(at / DT)] = 5.0  # a wild sample
    for at in (35.0, 45.0):
        values[round(at / DT)] = values[round(at / DT) + 1] = 0.0  # two samples without contact
    found = apart(times, values)
    assert found.rise == pytest.approx(PRESS, abs=2 * DT) and found.settled == pytest.approx(WITHIN, abs=0.5)
    assert found.dropouts == 2


def test_bursts_of_an_idle_processor_do_not_unsettle_it() -> None:
    """Every 6 s a burst of 0.4 s: less than a tenth of any stretch of 5 s."""
    times, values = trace(lambda t: 0.6 if t > BOOTED and t % 6 < 0.4 else boot(t))
    found = apart(times, values)
    assert found.settled is not None and found.settled < BOOTED + 6


NEVER: dict[str, Callable[[float], float]] = {
    "starts over and over": lambda t: STANDBY if t < PRESS else (0.9 if t % 4 < 2 else 0.2),
    "climbs on and on": lambda t: STANDBY if t < PRESS else 0.3 + 0.03 * (t - PRESS),
    "falls at the very end": lambda t: boot(t) if t < 57 else 0.0,
}


@pytest.mark.parametrize("shape", NEVER)
def test_what_never_settles_is_said_not_to(shape: str) -> None:
    found = apart(*trace(NEVER[shape], noise=0.002))
    assert found.settled is None and found.rise == pytest.approx(PRESS, abs=2 * DT)


def test_a_plateau_on_the_way_is_not_taken_for_idle() -> None:
    """Ten seconds of waiting at 0.5 A would be steady by themselves."""
    times, values = trace(lambda t: 0.5 if 10 < t < 22 else boot(t))
    found = apart(times, values)
    assert found.settled is not None and found.settled > 22


def test_a_pause_at_the_level_of_idle_is_not_taken_for_it_either() -> None:
    """Eight seconds at what turns out to be idle, before it goes on starting."""
    times, values = trace(lambda t: IDLE if 10 < t < 18 else 0.9 if 18 <= t < BOOTED else boot(t), noise=0.002)
    found = apart(times, values)
    assert found.settled == pytest.approx(BOOTED, abs=0.5)


def test_a_slow_drift_within_the_band_is_not_steady() -> None:
    """4 % a second: all of the last 2 s lie within a tenth of their median."""
    times, values = trace(lambda t: STANDBY if t < PRESS else 0.3 * 1.04 ** (t - PRESS))
    assert apart(times, values, steady=2.0).settled is None


def test_a_dead_unit_does_not_rise() -> None:
    found = apart(*trace(lambda t: STANDBY, noise=0.0003))
    assert found.rise is None


def test_too_short_a_trace_has_not_settled() -> None:
    times, values = trace(lambda t: IDLE, seconds=3.0)
    assert apart(times, values, since=0.0).settled is None


def test_current_limit_of_a_short_circuit() -> None:
    times, values = trace(lambda t: 0.0 if t < 1 else 1.5, seconds=4)
    assert longest_at_limit(times, values, 1.5) == pytest.approx(3.0, abs=2 * DT)
    assert standing_at_limit(times, values, 1.5) == pytest.approx(3.0, abs=2 * DT)
    assert standing_at_limit([*times, 4.0], [*values, 0.3], 1.5) == 0.0, "it stood there, and no longer does"
    assert longest_at_limit(times, values, 2.0) == 0.0
    # An inrush of one sample is no short circuit.
    assert longest_at_limit([0.0, 0.1, 0.2], [1.5, 0.3, 0.3], 1.5) == 0.0


def test_noise_by_the_median_is_that_of_a_normal_distribution() -> None:
    """1.4826 MAD estimates the standard deviation (from memory; 1/Φ⁻¹(3/4) = 1.4826)."""
    chance = random.Random(3)
    values = [chance.gauss(1.0, 0.02) for _ in range(20_000)]
    assert noise_of(values) == pytest.approx(0.02, rel=0.03)
    assert noise_of([*values, 50.0, -50.0]) == pytest.approx(0.02, rel=0.03)


@given(
    st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=200),
    st.floats(0.05, 5),
    st.floats(0.01, 0.5),
)
def test_any_trace_is_taken_apart(values: list[float], steady: float, band: float) -> None:
    times = [n * DT for n in range(len(values))]
    found = segment(times, values, before=0.0, since=0.0, steady=steady, band=band, floor=1e-3)
    assert found.rise is None or found.rise in times
    assert found.settled is None or (found.settled in times and math.isfinite(found.settled))
    assert found.dropouts >= 0 and len(found.tail) >= 1
    assert len(running_median(values)) == len(values)
