"""Descriptions of instruments: what a station's file must say, and that its mistakes are told with their place."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from verifier.declare.shape import adapter_of, salvage
from verifier.errors import InputError, InputProblems
from verifier.gather.instruments.description import Instrument
from verifier.gather.instruments.loading import kind_text, kinds, load_instruments

METER = """
kind = "scpi-multimeter"
port = "/dev/ttyUSB0"
serial = "METER-001"
due = 2999-01-01
[quantities.voltage]
ranges = [{ of_reading = 0.1, resolution = 0.001 }]
"""
SUPPLY = """
kind = "scpi-supply"
port = "/dev/ttyUSB1"
serial = "SUPPLY-001"
[ceilings]
voltage = 24
current = 1
"""


def loaded(folder: Path, **files: str) -> dict[str, Instrument]:
    for name, text in files.items():
        (folder / f"{name}.toml").write_text(text, "utf-8")
    return load_instruments(folder)


@pytest.mark.parametrize("kind", kinds())
def test_every_shipped_kind_fits_the_model(kind: str) -> None:
    found = salvage(adapter_of(Instrument), tomllib.loads(kind_text(kind)))
    assert not found.flaws
    assert found.model is not None
    if found.model.energises:
        assert found.model.safe is not None and (found.model.trips or found.model.no_trips)


def test_a_file_says_what_its_kind_does_not(tmp_path: Path) -> None:
    meter = loaded(tmp_path, meter=METER)["meter"]
    assert meter.quantities["voltage"].ask == "MEAS:VOLT:DC?", "from the kind"
    assert meter.quantities["voltage"].ranges[0].of_reading == 0.1, "from the file"
    assert not meter.quantities["current"].ranges


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (METER.replace("scpi-multimeter", "scpi-multimetre"), "scpi-multimeter"),
        (METER.replace('serial = "METER-001"\n', ""), "serial is missing"),
        (METER.replace('port = "/dev/ttyUSB0"\n', ""), "port is missing"),
        (METER.replace("/dev/ttyUSB0", "spy:///dev/ttyUSB0?file=/etc/passwd"), "no port that may be opened"),
        (METER.replace("/dev/ttyUSB0", "/dev/../tmp/x"), "no port that may be opened"),
        (METER.replace("due = 2999-01-01\n", ""), "due is missing"),
        (METER.replace("of_reading = 0.1, ", ""), "states no accuracy"),
        (METER.replace("resolution = 0.001", "resolution = 0"), "resolution"),
        (METER.replace("of_reading", "of_readings"), "of_reading"),
        (METER + '[override]\nwho = "Q01"\nwhy = "transport"\n', "until"),
        (SUPPLY.replace("current = 1\n", ""), "ceiling of current is missing"),
        (SUPPLY + "power = 3\n", "cannot be set"),
        (SUPPLY + '[trips.over-heat]\nof = "heat"\nset = "T {value}"\nask = "T?"\n', "cannot be set"),
        (SUPPLY + '[sets.voltage]\nset = "VOLT"\n', "{value}"),
        ('port = "/dev/ttyS0"\nno_trips = "none"\n[channels]\nclose = "C {channel}"\nopen = "O"\ncount = 2\n',
         "needs a safe state"),
        (METER + '[identity]\nreply = "{serial}{any}"\n', "side by side"),
        (METER + '[quantities.current]\nreply = "{any}{any} {value}"\n', "side by side"),
        ("[[[[", "1:"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(InputProblems) as told:
        loaded(tmp_path, one=text)
    assert said in str(told.value)
    assert "one.toml" in str(told.value)


def test_a_mistake_is_told_at_its_line(tmp_path: Path) -> None:
    with pytest.raises(InputProblems) as told:
        loaded(tmp_path, meter=METER.replace("due = 2999-01-01", "due = 3"))
    assert "meter.toml:5:" in str(told.value)


def test_two_instruments_at_one_port_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="same port"):
        loaded(tmp_path, meter=METER, supply=SUPPLY.replace("ttyUSB1", "ttyUSB0"))


def test_a_station_without_the_folder_has_no_instruments(tmp_path: Path) -> None:
    assert load_instruments(tmp_path / "instruments") == {}
