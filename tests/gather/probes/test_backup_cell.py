"""The cell behind a clock: projected life on published examples, and the two probes on a bench that is made up."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import anyio
import numpy as np
import pytest

from verifier.errors import NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.instruments.bench import InstrumentHost
from verifier.gather.instruments.description import Instrument
from verifier.gather.probes.backup_cell import LifeSettings, life, years
from verifier.gather.workers import run_probe
from verifier.readings import Basis, Contribution, Reading
from verifier.steps import Cue


@pytest.mark.parametrize(
    ("capacity", "current", "published"),
    [
        (0.220, 5e-6, 5.0),  # PC handbook, text at table 18.29: 220 mAh at 5 µA, 44,000 h
        (0.048, 0.4e-6, 13.7),  # ST design-support calculator page: 48 mAh at 0.4 µA
        (0.200, 1e-6, 22.8),  # the same page: 200 mAh at 1 µA, 200,000 h
    ],
)
def test_published_lives(capacity: float, current: float, published: float) -> None:
    assert years(capacity, current) == pytest.approx(published, abs=0.05)


def test_what_the_cell_loses_by_itself_draws_beside() -> None:
    """1 % a year (handbook pages) of 220 mAh is 0.25 µA: arithmetic."""
    assert years(0.220, 5e-6, 0.01) == pytest.approx(0.220 / (8766 * (5e-6 + 0.0022 / 8766)))
    assert years(0.220, 0.0, 0.01) == pytest.approx(100.0)
    assert years(0.220, 5e-6, powered=0.5) == pytest.approx(2 * years(0.220, 5e-6))
    assert years(0.220, 0.0) == math.inf


@pytest.mark.parametrize("powered", [0.0, 0.5, 0.9])
def test_the_projected_life_is_that_of_the_formula(powered: float) -> None:
    found = life(LifeSettings(meter="meter", powered=powered), Reading(name="current", value=4.5e-6, unit="A"))
    assert found.value == pytest.approx(years(0.220, 4.5e-6, 0.01, powered))


def test_the_uncertainty_of_the_life_against_simulation() -> None:
    """100,000 draws from current ± 3 %, capacity ± 10 %, self-discharge 1 ± 0.5 % a year."""
    rng, n = np.random.default_rng(4), 100_000
    amps = rng.uniform(0.97, 1.03, n) * 4.5e-6
    capacity, lost = rng.uniform(0.9, 1.1, n) * 0.220, rng.uniform(0.005, 0.015, n)
    drawn = capacity / (8766 * amps + lost * capacity)
    known = Contribution.half_width(0.03 * 4.5e-6, basis=Basis.SPECIFICATION, note="meter")
    found = life(
        LifeSettings(meter="meter"), Reading(name="current", value=4.5e-6, unit="A", contributions=(known,))
    )
    assert found.value == pytest.approx(float(drawn.mean()), rel=0.005)
    assert math.hypot(*(c.u for c in found.contributions)) == pytest.approx(float(drawn.std()), rel=0.02)


class Bench:
    """A meter, a relay card, a load; `volts` says what the meter sees with the load on or off."""

    def __init__(self, volts: Callable[[bool], float], *, amps: float = 0.0, accurate: bool = True) -> None:
        self.volts, self.amps, self.on, self.did = volts, amps, False, list[str]()
        self.missing = set[str]()
        ranges = [{"of_reading": 0.5, "absolute": 0.001, "resolution": 0.001}] if accurate else []
        quantity = {"ask": "READ?", "ranges": ranges}
        self.meter = Instrument.model_validate(
            {
                "title": "Meter", "port": "loop://",
                "quantities": {
                    "voltage": {**quantity, "unit": "V"},
                    "current": {"ask": "READ?", "unit": "A", "ranges": [{"of_reading": 1.0, "resolution": 1e-9}]},
                },
            }
        )  # fmt: skip

    def described(self, name: str) -> Instrument:
        return self.meter

    def origin(self, name: str) -> str:
        return name

    async def identify(self, name: str) -> str:
        if name in self.missing:
            raise NotPossible(f"there is no {name}")
        return name

    async def wait(self, seconds: float) -> None:
        if seconds >= 1:  # not from value to value
            self.did.append(f"wait {seconds:g}")

    async def measure(self, name: str, quantity: str, in_range: float | None = None) -> float:
        return self.volts(self.on) if quantity == "voltage" else self.amps

    async def close_contact(self, name: str, channel: int, lease: float) -> None:
        self.on = True
        self.did.append(f"close {name} {channel}")

    async def switch_on(self, name: str, settings: dict[str, float], lease: float) -> None:
        self.on = True
        self.did.append(f"on {name} {settings}")

    async def still(self, name: str) -> None:
        self.did.append(f"still {name}")


def take(probe: str, bench: Bench, **settings: Any) -> dict[str, Reading]:
    async def collect() -> dict[str, Reading]:
        host = InstrumentHost(bench, RealClocks(), 30.0)  # type: ignore[arg-type]
        found = {}
        async for step in run_probe(load_catalogue().probe(probe), host, {"meter": "meter", **settings}):
            if isinstance(step, Reading):
                found[step.name] = step
            elif isinstance(step, Cue):
                bench.did.append(f"cue {step.say}")
        return found

    return anyio.run(collect)


def cell(volts: float = 3.1, ohms: float = 15.0, load: float = 15_000.0) -> Callable[[bool], float]:
    return lambda on: volts * load / (load + ohms) if on else volts


def test_an_old_cell_shows_its_voltage_open_and_breaks_down_under_load() -> None:
    bench = Bench(cell(3.0, ohms=3000.0))
    found = take("cell.voltage", bench, relay="relays", channel=4, load=15_000.0)
    assert found["open"].value == pytest.approx(3.0) and found["loaded"].value == pytest.approx(2.5)
    assert found["drop"].value == pytest.approx(0.5) and found["right_way_up"].value is True
    assert bench.did[0] == "close relays 4" and "wait 2" in bench.did and bench.did[-1] == "still relays"


def test_the_technician_is_asked_first_and_only_where_the_bench_has_all_it_takes() -> None:
    bench, settings = Bench(cell()), {"relay": "relays", "load": 15_000.0, "first": "Clip the leads on."}
    take("cell.voltage", bench, **settings)
    assert bench.did[0] == "cue Clip the leads on. Done?"
    bare = Bench(cell())
    bare.missing = {"relays"}
    with pytest.raises(NotPossible, match="no relays"):
        take("cell.voltage", bare, **settings)
    assert bare.did == [], "nobody is asked for what is then not used"


def test_an_electronic_load_is_told_its_current() -> None:
    bench = Bench(cell())
    assert "loaded" in take("cell.voltage", bench, instrument="load", current=0.0002)
    assert bench.did[0] == "on load {'current': 0.0002}"


def test_the_meters_own_error_is_not_of_the_drop() -> None:
    """0.5 % of 3.1 V is in both voltages alike; what is left of the drop is the step of 1 mV, twice."""
    found = take("cell.voltage", Bench(cell()), relay="relays", load=15_000.0)
    assert math.hypot(*(c.u for c in found["drop"].contributions)) == pytest.approx(
        math.sqrt(2) * 0.001 / math.sqrt(12), rel=1e-6
    )


def test_a_reversed_cell_is_told() -> None:
    assert take("cell.voltage", Bench(lambda _: -3.0))["right_way_up"].value is False
    assert take("cell.voltage", Bench(lambda _: 0.0))["right_way_up"].value is True  # none in: another matter


def test_life_from_a_current_and_from_the_voltage_across_a_resistor() -> None:
    """World of the demo: 4.5 µA, CR2032 of 220 mAh, 1 % a year: 220/(8766 × 4.5e-3 + 2.2) a."""
    direct = take("cell.life", Bench(cell(), amps=4.5e-6))
    across = take("cell.life", Bench(lambda _: 4.5e-3), shunt=1000.0)
    for found in (direct, across):
        assert found["current"].value == pytest.approx(4.5e-6)
        assert found["life"].value == pytest.approx(220 / (8766 * 4.5e-3 + 2.2), rel=1e-6)
    assert len(across["current"].contributions) == len(direct["current"].contributions) + 1  # the shunt's bounds


def test_without_an_accuracy_specification_nothing_is_measured() -> None:
    with pytest.raises(NotPossible, match="accuracy specification"):
        take("cell.voltage", Bench(cell(), accurate=False))


@pytest.mark.parametrize(
    "settings",
    [
        {"relay": "r"}, {"load": 5.0}, {"instrument": "l"}, {"instrument": "l", "current": 2.0},
        {"relay": "r", "load": 1.0, "instrument": "l", "current": 0.1},
    ],
)  # fmt: skip
def test_a_test_load_that_is_half_stated_is_refused(settings: dict[str, Any]) -> None:
    declaration = load_catalogue().declaration("cell.voltage")
    assert declaration is not None
    with pytest.raises(ValueError):
        declaration.settings(meter="m", **settings)


def test_the_cautions_of_cells_go_with_every_suite_that_uses_them() -> None:
    for name in ("cell.voltage", "cell.life", "clock.retention"):
        declaration = load_catalogue().declaration(name)
        assert declaration is not None
        said = " ".join(declaration.cautions)
        assert "swallowed" in said and "polarity" in said and "never short" in said
