"""A battery on a bench supply: charged, stopped for every reason there is, and the output off each time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from instrument_bench import TestInstruments
from taking import take, u_of

from verifier.errors import BenchFault, VerifierError
from verifier.readings import Reading
from verifier.steps import Cue

SETTINGS: dict[str, Any] = {
    "instrument": "supply",
    "thermometer": "thermometer",
    "voltage": 4.35,
    "current_limit": 0.8,
    "taper": 0.1,
    "interval": 0.1,
}
CELL = [[0.0, 0.8], [1.6, 0.4], [2.0, 0.08]]
"""Seconds and A: a cell that is nearly full."""
Charge = Callable[..., tuple[dict[str, Reading], list[str]]]


@pytest.fixture
def charge(instruments: TestInstruments, tmp_path: Path) -> Iterator[Charge]:
    folder = instruments.describe(tmp_path / "i", "supply", "thermometer")

    def run(draws: list[list[float]], warm: float = 23.4, **settings: Any) -> tuple[dict[str, Reading], list[str]]:
        said: list[str] = []

        def act(cue: Cue) -> None:
            said.append(cue.say)
            instruments.tell(pressed=draws, celsius=warm)

        if settings.get("unattended"):
            instruments.tell(pressed=draws, celsius=warm)
        return take(folder, "supply.charge", act, **(SETTINGS | settings)), said

    yield run
    instruments.tell(draws=[], celsius=23.4, misbehave=dict.fromkeys(instruments.ports, ""))


def test_a_charge_that_tapers_off(charge: Charge, instruments: TestInstruments) -> None:
    found, said = charge(CELL)
    assert found["stopped_by"].value == "taper" and found["ended"].value is True
    assert found["current"].value == pytest.approx(0.8, abs=0.01)
    assert found["voltage_end"].value == pytest.approx(4.35, abs=0.01)
    assert found["taper_current"].value == pytest.approx(0.08, abs=0.005)
    # 0.8 A for 1.6 s, 0.4 A for 0.4 s, less what went in before the first look.
    assert float(found["charged"].value) * 3600 == pytest.approx(1.3, abs=0.4)
    # ± (0.2 % + 0.001 A), rectangular (JCGM 100, 4.3.7).
    assert u_of(found["current"]) == pytest.approx((0.8 * 0.002 + 0.001) / 3**0.5, rel=0.02)
    assert "red to plus" in said[0] and said[-1] == "The charge has ended. Take the leads off the battery."
    assert not instruments.on()


def test_a_hot_cell_switches_off(charge: Charge, instruments: TestInstruments) -> None:
    found, said = charge([[0.0, 0.8]], warm=51.0)
    assert (found["stopped_by"].value, found["hottest"].value) == ("temperature", 51.0)
    assert not instruments.on() and instruments.tell()["supply"]["times_on"] == 1  # of the test before alone
    assert said[-1].startswith("STOP: the cell is too hot. The supply is off.")


def test_a_cell_that_gets_hot_on_the_way(
    charge: Charge, instruments: TestInstruments, monkeypatch: pytest.MonkeyPatch
) -> None:
    from verifier.gather.instruments.bench import StationInstruments

    real, looks = StationInstruments.measure, [0]

    async def heated(self: StationInstruments, name: str, quantity: str, in_range: float | None = None) -> float:
        value = await real(self, name, quantity, in_range)
        looks[0] += quantity == "temperature"
        return 46.0 if quantity == "temperature" and looks[0] > 4 else value

    monkeypatch.setattr(StationInstruments, "measure", heated)
    found, _ = charge([[0.0, 0.8]])
    assert found["stopped_by"].value == "temperature" and not instruments.on()
    series = found["hottest"].series
    assert series is not None and list(series.values).index(46.0) == len(series.values) - 1


def test_nothing_flows_and_nobody_is_there(
    charge: Charge, instruments: TestInstruments, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("verifier.gather.probes.supply_charge.PATIENCE", 0.3)
    found, said = charge([[0.0, 0.0]], unattended="in the charging cabinet")
    assert found["stopped_by"].value == "not-charging" and not instruments.on()
    assert said == [] and found["attended"].value == "nobody had to stay: in the charging cabinet"


def test_a_thermometer_that_fails_is_a_bench_error_and_the_supply_is_off(
    charge: Charge, instruments: TestInstruments
) -> None:
    instruments.misbehave("thermometer", "overload")
    with pytest.raises(BenchFault, match="thermometer"):
        charge([[0.0, 0.8]], unattended="in the charging cabinet")
    assert not instruments.on()


@pytest.mark.parametrize("wrong", [{"hottest": 70}, {"taper": 1.0}])
def test_settings_that_make_no_sense(charge: Charge, wrong: dict[str, Any]) -> None:
    with pytest.raises(VerifierError):
        charge(CELL, **wrong)
