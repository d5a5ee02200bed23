"""The thermal ladder against the model's own figures and against an independent solution."""

from __future__ import annotations

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import expm

from verifier.gather.simulated.chance import noise
from verifier.gather.simulated.description import Thermal, load_description, shipped_unit
from verifier.gather.simulated.thermal import Ladder, Sensor

QUAYSIDE = shipped_unit("marrowby-quayside")
assert QUAYSIDE is not None
SHIPPED = load_description(QUAYSIDE).thermal
assert SHIPPED is not None


def ladder(sheet: float = 0.35) -> Ladder:
    return Ladder(c1=19.2, r1=sheet + 0.90, c2=217.0, r2=2.70)


def test_the_shipped_unit_has_the_figures_of_the_model_quayside() -> None:
    """Demo world, quayside, thermal paragraph: 39.5 K settled at 10 W, about 22 s and 640 s."""
    unit = Ladder(
        c1=SHIPPED.block_capacity,
        r1=SHIPPED.sheet_resistance + SHIPPED.block_resistance,
        c2=SHIPPED.shell_capacity,
        r2=SHIPPED.shell_resistance,
    )
    assert unit.settled(10.0)[0] == pytest.approx(39.5)
    assert unit.time_constants == pytest.approx((22, 640), rel=0.01)


@pytest.mark.parametrize(
    ("sheet", "more", "first"),
    [(1.20, 8.5, 37), (0.85, 5.0, 31), (3.45, 31.0, 76)],
    ids=["sheet at half contact", "block screws loose", "sheet missing"],
)
def test_a_bad_heat_path_raises_rise_and_first_time_constant(sheet: float, more: float, first: float) -> None:
    """Demo world, quayside, thermal paragraph: rises and first time constants of three faults at 10 W."""
    assert ladder(sheet).settled(10.0)[0] == pytest.approx(39.5 + more)
    assert ladder(sheet).time_constants[0] == pytest.approx(first, rel=0.02)


capacities, resistances = st.floats(0.1, 1e4), st.floats(0.01, 100)


@given(
    capacities,
    resistances,
    capacities,
    resistances,
    st.lists(st.tuples(st.floats(0, 5e3), st.floats(0, 50)), max_size=4),
)
def test_the_ladder_agrees_with_the_matrix_exponential(
    c1: float, r1: float, c2: float, r2: float, steps: list[tuple[float, float]]
) -> None:
    """Against x(t) = x_end + exp(A t) (x(0) - x_end), by scipy.linalg.expm."""
    unit = Ladder(c1=c1, r1=r1, c2=c2, r2=r2)
    a, b, c = 1 / (r1 * c1), 1 / (r1 * c2), 1 / (r2 * c2)
    matrix, state = np.array([[-a, a], [b, -(b + c)]]), np.zeros(2)
    for seconds, power in steps:
        unit.advance(seconds, power)
        end = np.array([power * (r1 + r2), power * r2])
        state = end + expm(matrix * seconds) @ (state - end)
        assert (unit.inner, unit.outer) == pytest.approx(tuple(state), rel=1e-6, abs=1e-6)


@given(st.floats(0, 1e4), st.floats(0, 1e4))
def test_where_it_is_looked_at_in_between_does_not_matter(first: float, second: float) -> None:
    once, twice = ladder(), ladder()
    once.advance(first + second, 10.0)
    twice.advance(first, 10.0)
    twice.advance(second, 10.0)
    assert (twice.inner, twice.outer) == pytest.approx((once.inner, once.outer), abs=1e-9)


def test_a_load_warms_the_unit_up_and_it_cools_down_again() -> None:
    sensor = Sensor(Thermal(noise=0.0, power=2.5), seed=1)
    rest = sensor.temperature(0.0)
    sensor.power = 10.0
    hot = sensor.temperature(8000.0)
    sensor.power = 2.5
    assert hot - rest == pytest.approx(7.5 * 3.95, abs=0.01)
    assert sensor.temperature(20_000.0) == pytest.approx(rest, abs=0.01)


def test_the_sensor_counts_whole_kelvins_with_noise() -> None:
    sensor = Sensor(SHIPPED, seed=1)
    readings = [sensor.reading(n * 0.01) for n in range(200)]
    assert all(value == round(value) for value in readings)
    assert len(set(readings)) > 1, "noise of 0.3 K crosses a step now and then"


def test_the_same_seed_is_the_same_unit_and_another_seed_another_one() -> None:
    moments = [0.0, 1.0, 10.0, 100.0]
    assert [Sensor(SHIPPED, 5).reading(t) for t in moments] == [Sensor(SHIPPED, 5).reading(t) for t in moments]
    units = {Sensor(SHIPPED, seed).ladder.settled(10.0)[0] for seed in range(20)}
    assert len(units) == 20


def test_units_differ_by_two_and_a_half_kelvin_at_the_test_load() -> None:
    """Demo world, quayside: 2.5 K from unit to unit, one standard deviation; 400 units give it to about 4 %."""
    rises = [Sensor(SHIPPED, seed).ladder.settled(10.0)[0] for seed in range(400)]
    assert statistics.stdev(rises) == pytest.approx(2.5, rel=0.15)
    assert statistics.mean(rises) == pytest.approx(39.5, abs=0.5)


def test_the_noise_does_not_depend_on_what_was_read_before() -> None:
    """So a run that was interrupted reads what it would have read."""
    fresh, used = Sensor(SHIPPED, 5), Sensor(SHIPPED, 5)
    for n in range(50):
        used.reading(n * 0.1)
    assert used.reading(5.0) == fresh.reading(5.0)


def test_noise_is_normal_and_a_function_of_seed_and_moment() -> None:
    """Mean 0, standard deviation as asked for, 31.7 % beyond one of it and 0.27 % beyond three (normal table)."""
    values = [noise(7, "sensor", at / 10, 0.3) for at in range(40_000)]
    assert values[:100] == [noise(7, "sensor", at / 10, 0.3) for at in range(100)]
    assert values[:100] != [noise(8, "sensor", at / 10, 0.3) for at in range(100)]
    assert statistics.fmean(values) == pytest.approx(0.0, abs=0.006)
    assert statistics.pstdev(values) == pytest.approx(0.3, rel=0.02)
    for bound, share in ((1, 0.3173), (3, 0.0027)):
        beyond = sum(abs(value) > bound * 0.3 for value in values) / len(values)
        assert beyond == pytest.approx(share, rel=0.03 if bound == 1 else 0.4)
