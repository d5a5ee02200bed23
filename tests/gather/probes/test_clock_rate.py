"""clock.rate: many readings of a clock whose truth is known, and a line through them."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from kept_clock import NOON, Clock, Taken, Unit

from verifier.errors import NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.readings import Bound

SETTINGS: dict[str, Any] = {"server": "time.example", "readings": 31, "interval": 60.0}


def take(clock: Clock, **more: Any) -> Taken:
    settings = SETTINGS | {key: more.pop(key) for key in list(more) if key in ("readings", "interval", "average")}
    return Unit(clock, **more).take("clock.rate", settings)


@pytest.mark.parametrize("ppm", [-25.0, 0.0, 8.0])
def test_the_rate_and_where_the_clock_is_at_the_end(ppm: float) -> None:
    found = take(Clock(ahead=1.5, ppm=ppm))
    assert found["runs"] is True and found["taken"] == 31
    assert found["rate"] == pytest.approx(ppm, abs=2 * found.u("rate"))
    assert found["ahead"] == pytest.approx(1.5 + ppm * 1e-6 * 1804, abs=0.002)
    # Bounds of ± 5 ms at both ends over half an hour are u = 2.27 ppm (JCGM 100, 4.3.7).
    assert found.u("rate") == pytest.approx(2.27, abs=0.2)
    series = next(r.series for r in found.readings if r.name == "ahead")
    assert series is not None and len(series.values) == 31 and series.dt == pytest.approx(60, abs=1)


def test_the_allan_deviation_of_a_wandering_clock() -> None:
    """Readings that scatter by ± 10 ms evenly: σ_x = 10/√3 ms, white phase noise: σ_y(τ) = √3 σ_x/τ
    (NIST SP 1065, table 3 from memory), at τ = 4 min 41.7e-6."""

    drawn = np.random.default_rng(8).uniform(-0.010, 0.010, 400)

    class Wandering(Clock):
        def shows(self, true: float) -> float:
            return super().shows(true) + float(drawn[round((true - NOON) / 60)])  # one draw a minute

    found = take(Wandering(ppm=0.0), readings=301, average=4)
    assert found["allan_lower"] < 41.7e-6 < found["allan_upper"]
    assert found["allan_lower"] < found["allan_deviation"] < found["allan_upper"]
    assert found["scatter"] == pytest.approx(0.010 / math.sqrt(3), rel=0.15)


def test_too_few_readings_for_an_average_give_no_deviation() -> None:
    assert "allan_deviation" not in take(Clock(), readings=6, average=3).names


def test_a_clock_that_stands_does_not_run() -> None:
    found = take(Clock(stands_at=1.0))
    assert found["runs"] is False and found.names == {"runs"}


def test_a_clock_that_the_system_keeps_right_has_no_rate() -> None:
    with pytest.raises(NotPossible, match="no rate of its own"):
        take(Clock(), kept_right=True)


def test_lint_is_told_when_readings_are_too_few_for_the_limit() -> None:
    declaration = load_catalogue().declaration("clock.rate")
    assert declaration is not None and declaration.forecast is not None
    rate = (Bound(reading="rate", lower=-20.0, upper=20.0),)
    few = declaration.forecast(SETTINGS | {"readings": 5}, rate, 0.025)
    assert "readings over 4 min are too few" in few.problem and "could never pass" in few.problem
    assert not declaration.forecast(SETTINGS | {"readings": 61}, rate, 0.025).problem


@pytest.mark.parametrize(
    "more", [{"readings": 2}, {"interval": 1.0}, {"reference": "key"}, {"readings": 5000, "interval": 600.0}]
)
def test_settings_that_make_no_line_are_refused(more: dict[str, Any]) -> None:
    declaration = load_catalogue().declaration("clock.rate")
    assert declaration is not None
    with pytest.raises(ValueError):
        declaration.settings(**(SETTINGS | more))
