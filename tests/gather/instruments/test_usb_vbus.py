"""The supply of a USB port by electronic load and meter on pseudo-terminals; limits by type of port; lint."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from instrument_bench import TestInstruments
from taking import take, u_of

from verifier.declare.lint import load_suite
from verifier.declare.usb_ports import USB_PORTS
from verifier.errors import InputError, NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.shipped import folder as shipped_folder
from verifier.steps import Cue

CURRENT = "\n[quantities.current]\nranges = [{ of_reading = 0.1, absolute = 0.002, resolution = 0.001 }]\n"
QUICK: dict[str, Any] = {"instrument": "load", "settle": 0.02, "samples": 3, "interval": 0.0}


@pytest.fixture
def folder(tmp_path: Path, instruments: TestInstruments) -> Iterator[Path]:
    at = instruments.describe(tmp_path / "instruments", "load", "meter")
    with (at / "load.toml").open("a") as file:
        file.write(CURRENT)
    instruments.tell(port={"volts": 5.1, "ohms": 0.2, "limit": 100.0}, across="port")
    yield at
    assert not instruments.tell(across="supply", forget=["load"])["load"]["on"], "the load was left on"


def test_voltages_drop_current_and_resistance_with_their_budgets(folder: Path) -> None:
    """By hand: 5.1 V behind 0.2 Ω at 0.9 A leaves 4.92 V."""
    found = take(folder, "usb.vbus", port="usb3-a", meter="meter", **QUICK)
    values = {name: reading.value for name, reading in found.items()}
    assert values == {
        "unloaded": pytest.approx(5.1), "loaded": pytest.approx(4.92), "drop": pytest.approx(0.18),
        "current": pytest.approx(0.9), "source_resistance": pytest.approx(0.2), "stayed_on": True,
    }  # fmt: skip
    # The meter's range of 20 V: 0.05 % of reading + 0.01 % of range + 2 × 1 mV, rectangular; its step of 1 mV.
    one = [(0.0005 * v + 0.002 + 0.002) / 3**0.5 for v in (5.1, 4.92)]
    volts = (one[0] ** 2 + one[1] ** 2 + 2 * (0.001 / 12**0.5) ** 2) ** 0.5
    assert u_of(found["drop"]) == pytest.approx(volts, rel=0.01)
    # u(I): 0.1 % of 0.9 A + 2 mA; R = U/I by JCGM 100, 5.1.2: c = 1/I and U/I².
    amperes = (((0.0009 + 0.002) / 3**0.5) ** 2 + (0.001 / 12**0.5) ** 2) ** 0.5
    by_hand = ((volts / 0.9) ** 2 + (0.18 / 0.81 * amperes) ** 2) ** 0.5
    assert u_of(found["source_resistance"]) == pytest.approx(by_hand, rel=0.01)
    assert any(c.note.startswith("current: load") for c in found["source_resistance"].contributions)


def test_a_port_that_gives_less_than_it_must_shows_in_the_current(
    folder: Path, instruments: TestInstruments
) -> None:
    instruments.tell(port={"volts": 5.0, "ohms": 0.1, "limit": 0.5})
    found = take(folder, "usb.vbus", port="usb3-a", **QUICK)
    assert found["current"].value == pytest.approx(0.5) and found["loaded"].value == pytest.approx(4.95)


def test_what_a_load_without_specification_draws_is_not_told(tmp_path: Path, instruments: TestInstruments) -> None:
    at = instruments.describe(tmp_path / "instruments", "load")
    found = take(at, "usb.vbus", port="usb2-a", **QUICK)
    assert set(found) == {"unloaded", "loaded", "drop", "stayed_on"}
    assert instruments.tell()["load"]["set"]["CURR"] == pytest.approx(0.5), "five unit loads of 100 mA"


def test_type_c_is_measured_either_way_up(folder: Path, instruments: TestInstruments) -> None:
    """The other row of contacts is worn: 0.4 Ω. Nothing is drawn while the plug is turned."""
    said: list[str] = []

    def turn(cue: Cue) -> None:
        said.append(cue.say)
        assert cue.wait and not instruments.tell()["load"]["on"]
        if "turn it over" in cue.say:
            instruments.tell(port={"volts": 5.1, "ohms": 0.4, "limit": 100.0})

    found = take(folder, "usb.vbus", turn, port="usb-c-1.5a", label="4", turn=True, **QUICK)
    assert len(said) == 2 and all("the socket marked 4" in words for words in said)
    assert found["loaded"].value == pytest.approx(4.8) and found["loaded_turned"].value == pytest.approx(4.5)
    assert found["source_resistance_turned"].value == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"port": "usb2-a", "turn": True}, "only a Type-C plug"),
        ({"port": "usb-b"}, "port is one of usb2-a"),
        ({"port": "usb3-a", "current": -1.0}, "current is 0 to 10 A"),
    ],
)
def test_settings_that_make_no_sense_are_refused(wrong: dict[str, Any], said: str) -> None:
    from verifier.gather.workers.running import settings_of

    declaration = load_catalogue().declaration("usb.vbus")
    assert declaration is not None
    with pytest.raises(InputError, match=said):
        settings_of(declaration, {"instrument": "load", **wrong})


def test_ceilings_hold_for_the_current_that_follows_from_the_port(
    folder: Path, instruments: TestInstruments
) -> None:
    text = folder.joinpath("load.toml").read_text().replace("current = 3.0", "current = 2.0")
    folder.joinpath("load.toml").write_text(text)
    instruments.tell(forget=["load"])

    with pytest.raises(NotPossible, match=r"more of load .* \(current 3 A, ceiling 2 A\)") as told:
        take(folder, "usb.vbus", instrument="load", port="usb-c-3a")
    assert "ceilings in the instrument's file" in told.value.to_do
    assert not instruments.tell()["load"]["heard"], "nothing was sent to it"
    take(folder, "usb.vbus", instrument="load", port="usb3-a", settle=0.0)


SUITE = """schema = 1
model = "example"
title = "Example"
revision = 1
[[checks]]
id = "port-1"
title = "Port 1"
probe = "usb.vbus"
settings = { instrument = "load", port = "usb3-a" }
needs = ["load"]
limits = [
  { reading = "unloaded", at_least = 4.75, at_most = 5.5, unit = "V", source = "USB 2.0, 7.2.2" },
  { reading = "loaded", at_least = 4750, at_most = 5500, unit = "mV", source = "USB 2.0, 7.2.2" },
]
"""
WIDER = {
    "limit on loaded is wider": ("at_least = 4750", "at_least = 4400"),
    "limit on unloaded is wider": ("at_least = 4.75, at_most = 5.5", "at_least = 4.75"),
    "0.5 A is less than the 0.9 A": ('port = "usb3-a"', 'port = "usb3-a", current = 0.5'),
}


def told(tmp_path: Path, text: str) -> list[str]:
    path = tmp_path / "suite.toml"
    path.write_text(text)
    return [warning.sentence("suite.toml") for warning in load_suite(path, load_catalogue()).warnings]


def test_limits_of_the_standard_and_narrower_ones_are_not_warned_of(tmp_path: Path) -> None:
    assert told(tmp_path, SUITE) == []
    assert told(tmp_path, SUITE.replace("4750", "4800").replace("5500", "5250")) == []
    # Two limits on one reading count together.
    both = '{ reading = "unloaded", at_least = 4.75, unit = "V", source = "a" },'
    both += '{ reading = "unloaded", at_most = 5.5,'
    assert told(tmp_path, SUITE.replace('{ reading = "unloaded", at_least = 4.75, at_most = 5.5,', both)) == []


@pytest.mark.parametrize("what", WIDER)
def test_lint_warns_of_limits_wider_than_the_standard(tmp_path: Path, what: str) -> None:
    (warning,) = told(tmp_path, SUITE.replace(*WIDER[what]))
    assert what in warning and "usb3-a" in warning


# USB 2.0, 7.2.1 and 7.2.2: 4.75 V, 5 × 100 mA; USB 3.0, 11.4: 6 × 150 mA; USB Type-C: 5.5 V (vSafe5V), 1.5 A, 3 A
# (values read on pages that quote them, section numbers from memory).
STANDARD = {
    "usb2-a": (4.75, 5.5, 0.5), "usb3-a": (4.75, 5.5, 0.9), "usb2-c": (4.75, 5.5, 0.5),
    "usb3-c": (4.75, 5.5, 0.9), "usb-c-1.5a": (4.75, 5.5, 1.5), "usb-c-3a": (4.75, 5.5, 3.0),
}  # fmt: skip


def test_the_table_is_the_standards_and_the_guides() -> None:
    assert {name: (p.at_least, p.at_most, p.current) for name, p in USB_PORTS.items()} == STANDARD
    guide = (shipped_folder("suites") / "README.md").read_text("utf-8")
    for name, port in USB_PORTS.items():
        row = f'| {port.title} | `"{name}"` | {port.at_least:g} to {port.at_most:g} V | {port.current:g} A |'
        assert row in guide, row
