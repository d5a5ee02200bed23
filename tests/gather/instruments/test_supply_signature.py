"""Supply current from off to idle, by a SCPI supply and a meter on pseudo-terminals; a script is the unit."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from instrument_bench import TestInstruments
from taking import take, u_of
from virtual_bench import VirtualBench

from verifier.errors import NotPossible
from verifier.gather.probes.supply_signature import Signature
from verifier.readings import Basis
from verifier.steps import Cue

# Much faster than a unit: 0.8 s of inrush and boot, then idle. A busy machine looks seldom, and is given time.
# What is exact in time stands on the bench in virtual time.
BOOT = [[0, 0.9], [0.6, 0.7], [0.8, 0.31]]
FEED: dict[str, Any] = {
    "instrument": "supply", "voltage": 19.0, "current_limit": 1.0, "seconds": 2.4, "steady": 0.4,
    "interval": 0.005, "standby": 0.5, "overload": 0.3,
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, instruments: TestInstruments) -> Path:
    return instruments.describe(
        tmp_path_factory.mktemp("station") / "instruments", "supply", "meter", "thermometer"
    )


@pytest.fixture(autouse=True)
def off_again(instruments: TestInstruments) -> Iterator[None]:
    yield
    state = instruments.tell(draws=[], noise=0.0)
    assert not state["supply"]["on"], "the supply was left on"


def test_a_unit_that_starts_when_it_is_fed(folder: Path, instruments: TestInstruments) -> None:
    instruments.tell(draws=BOOT, noise=0.002)
    found = take(folder, "supply.signature", **FEED)
    assert "standby" not in found
    assert found["off"].value == pytest.approx(0.0, abs=0.01)
    assert found["started"].value is True and found["settled"].value is True and found["stayed_on"].value is True
    assert found["peak"].value == pytest.approx(0.9, abs=0.02)
    assert 0.6 < float(found["start"].value) < 0.91
    idle = found["idle"]
    assert idle.value == pytest.approx(0.31, abs=3 * u_of(idle) + 1e-4)
    # Specification of the test supply: 0.2 % of 0.31 A + 1 mA, rectangular (JCGM 100, 4.3.7): u = 0.94 mA.
    specified = next(c for c in idle.contributions if c.basis is Basis.SPECIFICATION)
    assert specified.u == pytest.approx((0.002 * 0.31 + 0.001) / 3**0.5, rel=0.01)
    assert 0.7 < float(found["time_to_idle"].value) < 2.0
    assert found["dropouts"].value == 0
    series = found["current"].series
    assert series is not None and len(series.values) > 20
    assert max(series.values) == pytest.approx(0.9, abs=0.02) and series.values[-1] == pytest.approx(
        0.31, abs=0.02
    )


def test_the_press_is_asked_for(folder: Path, instruments: TestInstruments) -> None:
    """Standby first."""
    instruments.tell(draws=[[0, 0.008]])
    said: list[Cue] = []

    def press(cue: Cue) -> None:
        said.append(cue)
        if not cue.wait:
            threading.Timer(0.3, lambda: instruments.tell(pressed=BOOT)).start()

    found = take(folder, "supply.signature", press, button=True, **FEED)
    assert [cue.wait for cue in said] == [True, False]
    assert found["standby"].value == pytest.approx(0.008, abs=0.0005)
    assert found["started"].value is True and found["settled"].value is True


@pytest.mark.parametrize("button", [False, True])
def test_the_time_to_idle_counts_from_power_or_from_the_press(button: bool) -> None:
    """The technician takes three seconds to press, which is none of the unit's time."""
    begun = [] if button else [0.0]
    bench = VirtualBench(lambda now: boot(now - begun[0]) if begun and now >= begun[0] else 0.008)

    def press(cue: Cue) -> None:
        if not cue.wait:
            begun.append(bench.clocks.now + 3.0)

    found = bench.take(
        Signature(), press, instrument="supply", voltage=19.0, current_limit=1.0, seconds=60.0, button=button
    )
    # Looked at every 25 ms: 20 ms between two exchanges, and 5 ms for one.
    assert found["time_to_idle"].value == pytest.approx(5.0, abs=0.06)
    assert 0 < u_of(found["time_to_idle"]) < 0.02
    assert found["peak"].value == pytest.approx(0.9) and found["idle"].value == pytest.approx(0.31)
    series = found["current"].series
    assert series is not None and series.dt == pytest.approx(0.025, abs=0.001) and len(series.values) > 2000


def boot(now: float) -> float:
    return 0.9 if now < 3 else 0.7 if now < 5 else 0.31


def at_full_length(shape: Callable[[float], float], **more: Any) -> dict[str, Any]:
    """A unit that takes 20 s to idle, in virtual time."""
    settings = {"instrument": "supply", "voltage": 19.0, "current_limit": 1.0, "seconds": 60.0, **more}
    chance = random.Random(1)
    found = VirtualBench(lambda now: shape(now) + chance.gauss(0, 0.002)).take(
        Signature(), lambda cue: None, **settings
    )
    return {name: reading.value for name, reading in found.items()}


def slow_boot(now: float) -> float:
    return 0.9 - 0.59 * min(now, 20.0) / 20.0


def test_a_press_that_does_nothing() -> None:
    found = at_full_length(lambda now: 0.008, button=True)
    assert found["started"] is False and "time_to_idle" not in found
    assert found["standby"] == pytest.approx(0.008, abs=0.001)
    assert found["idle"] == pytest.approx(0.008, abs=0.001), "so that a limit on idle fails"


def test_a_unit_that_starts_over_and_over_never_idles() -> None:
    found = at_full_length(lambda now: 0.9 if now % 8 < 3 else 0.3)
    assert found["started"] is True and found["settled"] is False and "idle" not in found


def test_dropouts_are_counted_and_decide_nothing() -> None:
    found = at_full_length(lambda now: 0.0 if 30.0 < now < 30.1 or 40.0 < now < 40.1 else slow_boot(now))
    assert found["dropouts"] == 2 and found["idle"] == pytest.approx(0.31, abs=0.002)
    # Within a tenth of 0.31 A from 0.9 A, 0.59 A in 20 s: at 18.9 s.
    assert found["time_to_idle"] == pytest.approx(18.9, abs=0.5)


def test_a_trip_of_the_supply_shows() -> None:
    bench = VirtualBench(slow_boot)
    bench.is_on = lambda name: _no()  # type: ignore[method-assign]
    found = bench.take(Signature(), lambda cue: None, instrument="supply", voltage=19.0, current_limit=1.0)
    assert found["stayed_on"].value is False


async def _no() -> bool:
    return False


def test_a_short_circuit_is_switched_off_and_told(folder: Path, instruments: TestInstruments) -> None:
    """The supply limits; the check does not go on feeding it for all of its time, which no test would wait for."""
    instruments.tell(draws=[[0, 50.0]])
    found = take(folder, "supply.signature", deadline=120.0, **{**FEED, "seconds": 600.0})
    assert 0.3 <= float(found["at_limit"].value) < 60
    assert found["settled"].value is False and "idle" not in found
    assert found["peak"].value == pytest.approx(1.0, abs=0.01)


def test_a_short_circuit_is_fed_for_as_long_as_its_overload_and_no_longer() -> None:
    found = at_full_length(lambda now: 1.0, overload=0.3)
    assert found["at_limit"] == pytest.approx(0.3, abs=0.03) and found["settled"] is False


def test_an_external_meter_stands_in_for_the_supplys_own(folder: Path, instruments: TestInstruments) -> None:
    instruments.tell(draws=BOOT)
    found = take(folder, "supply.signature", meter="meter", **FEED)
    assert found["idle"].origin.startswith("meter (serial METER-001)")
    # 0.2 % of reading + 5 counts of 0.1 mA.
    specified = next(c for c in found["idle"].contributions if c.basis is Basis.SPECIFICATION)
    assert specified.u == pytest.approx((0.002 * 0.31 + 0.0005) / 3**0.5, rel=0.01)


def test_what_measures_no_current_is_refused_before_anything_is_on(
    folder: Path, instruments: TestInstruments
) -> None:
    before = instruments.tell()["supply"]["times_on"]
    with pytest.raises(NotPossible, match="thermometer does not measure current"):
        take(folder, "supply.signature", meter="thermometer", **FEED)
    assert instruments.tell()["supply"]["times_on"] == before
