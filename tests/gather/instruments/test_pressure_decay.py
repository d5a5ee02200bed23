"""A closed case at a pressure gauge: the arithmetic, and the test instruments with a leak."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from instrument_bench import TestInstruments
from taking import take, u_of

from verifier.errors import NotPossible
from verifier.gather.probes.decay import line_through, of_temperature
from verifier.steps import Cue


def test_a_leak_is_measured_and_temperature_counts(instruments: TestInstruments, tmp_path: Path) -> None:
    said: list[str] = []

    def fill(cue: Cue) -> None:
        said.append(cue.say)
        instruments.tell(pascals=2000, leak=2.0, noise=0.2)

    found = take(
        instruments.describe(tmp_path / "i", "pressure"), "instrument.pressure_decay", fill,
        instrument="pressure", fill=2000, seconds=5.0, settle=0.0, interval=0.2, steady=0.05,
    )  # fmt: skip
    assert "fill it to 2000 Pa" in said[0]
    assert float(found["decay"].value) == pytest.approx(10, abs=0.8)
    assert float(found["filled"].value) == pytest.approx(2000, abs=3)
    assert float(found["unsteady"].value) == pytest.approx(0.2, abs=0.15)
    series = found["filled"].series
    assert series is not None and len(series.values) > 15
    # 0.05 K of 103,325 Pa at 293.15 K are 17.6 Pa (ideal gas), as a half-width: u = a/√3 (JCGM 100, 4.3.7).
    assert u_of(found["decay"]) == pytest.approx(17.6 / math.sqrt(3), rel=0.02)


def test_only_what_measures_pressure(instruments: TestInstruments, tmp_path: Path) -> None:
    folder = instruments.describe(tmp_path / "i", "meter")
    with pytest.raises(NotPossible, match="meter does not measure pressure"):
        take(folder, "instrument.pressure_decay", instrument="meter", fill=2000)


def test_an_ideal_gas_changes_by_a_third_of_a_percent_a_kelvin() -> None:
    """dp = p dT/T: one kelvin of 293.15 K is 0.341 %."""
    assert of_temperature(0, 1.0) == pytest.approx(0.003411 * 101_325, rel=1e-3)


def test_the_calibration_of_a_thermometer() -> None:
    """JCGM 100, H.3.3, table H.6: b(t) = y1 + y2 (t − 20 °C); y2 = 0.00218, s(y2) = 0.00067, s = 0.0035 (from
    memory of the table; recomputed with numpy)."""
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = line_through(t, b)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.u_slope == pytest.approx(0.00067, abs=5e-6)
    assert line.residual == pytest.approx(0.0035, abs=5e-5) and line.dof == 9


def test_a_line_needs_three_samples() -> None:
    with pytest.raises(ValueError, match="three samples"):
        line_through([0, 1], [0, 1])
    with pytest.raises(ValueError, match="different times"):
        line_through([1, 1, 1], [0, 1, 2])
