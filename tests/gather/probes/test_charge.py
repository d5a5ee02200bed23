"""A battery that is charged, by the model of a cell, in virtual time: full, and with each hard stop."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
from cell import BAT, Cell, Charging

from verifier.errors import Absent, NotPossible, VerifierError
from verifier.gather.probes.charge import BatteryCharge
from verifier.gather.probes.charging import Bounds, Charge, Sample, charged, rule_error
from verifier.gather.virtual_time import backend_options
from verifier.gather.workers import run_probe
from verifier.readings import Reading
from verifier.steps import Cue

SETTINGS: dict[str, Any] = {
    "highest_voltage": 4.4,
    "highest_current": 2.2,
    "taper": 0.2,
    "hottest": 45.0,
    "interval": 5.0,
    "gauge_error": 2.0,
}


def taken(unit: Charging, *, pull: bool = True, **settings: Any) -> dict[str, Reading]:
    """The readings; whoever is told to pull the plug does so, unless not."""

    async def take() -> dict[str, Reading]:
        found: dict[str, Reading] = {}
        async for one in run_probe(BatteryCharge(), unit, SETTINGS | settings):  # type: ignore[arg-type]
            if isinstance(one, Cue):
                unit.said.append(one.say)
                if one.say.startswith("STOP") and pull:
                    unit.plugged = False
            else:
                found[one.name] = one
        return found

    return anyio.run(take, backend_options=backend_options(unit.clocks))


def test_a_good_cell_takes_its_current_and_tapers_off() -> None:
    cell = Cell(soc=0.85)
    unit = Charging(cell)
    found = taken(unit)
    assert found["stopped_by"].value == "taper" and "ended" not in found
    assert found["current"].value == pytest.approx(1.9, abs=0.002)
    assert found["voltage_end"].value == pytest.approx(4.35, abs=0.001)
    assert 0 < float(found["taper_current"].value) <= 0.2
    assert 23 < float(found["hottest"].value) < 45
    assert found["charged"].value == pytest.approx((cell.soc - 0.85) * cell.capacity, rel=0.01)
    series = found["voltage_end"].series
    assert series is not None and len(series.values) > 100 and series.dt == pytest.approx(5.0, rel=0.01)
    assert unit.commanded == [] and unit.said[-1] == "The charge has ended. Take the charger off."
    assert "Stay beside it" in unit.said[0] and found["attended"].value == "somebody was to stay"
    assert any(said.startswith("Charging: 1.9") for said in unit.said)


def test_the_uncertainty_of_the_charge_is_that_of_the_gauge() -> None:
    """2 % of the value as a rectangular half-width: u = a/√3 (JCGM 100, 4.3.7)."""
    charge = taken(Charging(Cell(soc=0.85)))["charged"]
    u = math.hypot(*(c.u for c in charge.contributions))
    assert u == pytest.approx(0.02 * float(charge.value) / math.sqrt(3), rel=0.02)


HARD: dict[str, tuple[Callable[[], Charging], dict[str, Any]]] = {
    "temperature": (lambda: Charging(Cell(soc=0.2, kelvin_per_watt=60.0, ohms=0.15)), {}),
    "cold": (lambda: Charging(Cell(soc=0.2, temperature=2.0, ambient=-15.0, kelvin_per_watt=0.0)), {}),
    "over-voltage": (lambda: Charging(Cell(soc=0.85, end_voltage=4.5)), {}),
    "over-current": (lambda: Charging(Cell(soc=0.3, limit=3.0)), {}),
    "time": (lambda: Charging(Cell(soc=0.1)), {"minutes": 20.0}),
    "blind": (lambda: blinded(600), {}),
}


def blinded(at: float) -> Charging:
    unit = Charging(Cell(soc=0.3))
    unit.blind_at = at
    return unit


@pytest.mark.parametrize("why", HARD)
def test_a_hard_stop_ends_the_charge_at_once_and_makes_safe(why: str) -> None:
    make, settings = HARD[why]
    unit = make()
    found = taken(unit, **settings)
    assert found["stopped_by"].value == why
    assert unit.said[-1].startswith("STOP: ") and "Pull the charger's plug now." in unit.said[-1]
    if why == "blind":  # a unit that does not answer cannot be told; and nobody saw the charge end
        assert unit.commanded == [] and found["ended"].value is False and "touched" not in found
    else:
        assert unit.commanded == [("sh", "-c", 'echo inhibit-charge > "$0"', f"{BAT}/charge_behaviour")]
        assert found["ended"].value is True and "It was told to stop." in unit.said[-1]
        assert found["touched"].value == f"{BAT}/charge_behaviour: inhibit-charge, until the unit is restarted"


def test_the_stop_comes_with_the_first_sample_beyond_a_ceiling() -> None:
    unit = HARD["temperature"][0]()
    found = taken(unit)
    series = found["hottest"].series
    assert series is not None
    assert series.values[-1] >= 45 and all(value < 45 for value in series.values[:-1])


def test_a_charge_that_nobody_ends_is_told() -> None:
    unit = HARD["over-current"][0]()
    unit.obeys = False
    found = taken(unit, pull=False)
    assert found["stopped_by"].value == "over-current" and found["ended"].value is False
    assert "It was told to stop." not in unit.said[-1]


def test_without_anybody_beside_it_only_where_it_can_be_told_to_stop() -> None:
    unit = Charging(Cell(soc=0.3, limit=3.0))
    found = taken(unit, unattended="in the charging cabinet")
    assert unit.said == [] and unit.inhibited and found["ended"].value is True
    assert found["attended"].value == "nobody had to stay: in the charging cabinet"
    with pytest.raises(NotPossible, match="cannot be told to stop"):
        taken(Charging(Cell(), behaviour=False), unattended="in the charging cabinet")


def test_a_plug_that_is_pulled_is_no_end_of_charge() -> None:
    unit = Charging(Cell(soc=0.5))
    unit.unplugged_at = 300
    assert taken(unit)["stopped_by"].value == "not-charging"


def test_a_battery_that_is_full_says_so() -> None:
    unit = Charging(Cell(soc=1.0))
    unit.cell.full = True
    found = taken(unit)
    assert found["stopped_by"].value == "full" and found["charged"].value == pytest.approx(0, abs=1e-6)


def test_hot_before_it_began() -> None:
    unit = Charging(Cell(temperature=47.0, ambient=47.0))
    found = taken(unit)
    assert (found["stopped_by"].value, found["hottest"].value) == ("temperature", 47.0)


def test_what_cannot_be_watched_is_not_charged() -> None:
    unit = Charging(Cell())
    unit.noise["temp"] = "hot"
    with pytest.raises(NotPossible, match="unwatched the cell is not charged"):
        taken(unit)
    with pytest.raises(Absent, match="no battery BAT7"):
        taken(Charging(Cell()), name="BAT7")


@pytest.mark.parametrize(
    "wrong",
    [
        {"hottest": 61},
        {"taper": 2.5},
        {"minutes": 0.5},
        {"interval": 0.05},
        {"name": "../x"},
        {"unattended": "\n"},
    ],
)
def test_settings_that_make_no_sense(wrong: dict[str, Any]) -> None:
    with pytest.raises(VerifierError):
        taken(Charging(Cell()), **wrong)


# ---- arithmetic -----------------------------------------------------------------------------------------


def samples(*currents: float, step: float = 60.0) -> list[Sample]:
    return [Sample(n * step, current, 4.0, 25.0) for n, current in enumerate(currents)]


def test_a_constant_current_for_an_hour() -> None:
    assert charged(samples(*[1.5] * 61)) == pytest.approx(1.5)
    assert rule_error(samples(*[1.5] * 61)) == pytest.approx(0, abs=1e-12)


def test_the_error_of_the_rule_covers_what_a_curve_hides() -> None:
    """∫ e^(−t/600) dt from 0 to 3600 s = 600·(1 − e^−6); the trapezoidal rule is off by about a third of what
    halving the step shows (Richardson)."""
    curve = samples(*(math.exp(-n * 60 / 600) for n in range(61)))
    truth = 600 * (1 - math.exp(-6)) / 3600
    assert abs(charged(curve) - truth) == pytest.approx(rule_error(curve), rel=0.05)


def test_one_small_sample_is_no_end_and_none_at_all_is_no_taper() -> None:
    bounds = Bounds(temperature=45, voltage=4.4, current=2.2, seconds=600, taper=0.2)
    charge = Charge(bounds)
    seen = [charge.take(s) for s in samples(0.1, 0.1, 0.1, 1.9, 0.1, 1.9, 0.0, 0.0, 0.0, 0.15, 0.15, 0.15, step=1)]
    assert seen == [""] * 11 + ["taper"]


@given(st.lists(st.floats(0, 2), min_size=2, max_size=50))
def test_what_went_in_lies_between_the_least_and_the_greatest_current(currents: list[float]) -> None:
    found = charged(samples(*currents)) * 60 / (len(currents) - 1)
    assert min(currents) - 1e-9 <= found <= max(currents) + 1e-9


@given(st.floats(allow_nan=True), st.floats(allow_nan=True), st.floats(allow_nan=True))
def test_whatever_is_no_number_within_the_bounds_stops(current: float, voltage: float, temperature: float) -> None:
    bounds = Bounds(temperature=45, voltage=4.4, current=2.2, seconds=600, taper=0.2)
    why = Charge(bounds).take(Sample(0.0, current, voltage, temperature))
    assert (why == "") == (current <= 2.2 and voltage <= 4.4 and 0 <= temperature < 45)
