"""The fault catalogues: what they hold, what is wrong with a bad one, and what a fault does to a description."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.declare.lint import load_suite
from verifier.errors import InputError, InputProblems
from verifier.gather.catalogue import load_catalogue
from verifier.gather.simulated import Description, Faults, catalogue_for, injected, load_description, load_faults
from verifier.gather.simulated import with_faults as put_in
from verifier.shipped import find_suite, shipped_beside_suites

UNITS = shipped_beside_suites("unit.toml")
HEAD = 'schema = 1\nmodel = "marrowby-quayside"\n'


def shipped(model: str) -> tuple[Description, Faults]:
    unit = load_description(UNITS[model])
    faults = catalogue_for(UNITS[model], unit)
    assert faults is not None
    return unit, faults


QUAYSIDE, FAULTS = shipped("marrowby-quayside")


@pytest.mark.parametrize("model", UNITS)
def test_unit_and_faults_of_a_shipped_model_go_with_its_suite(model: str) -> None:
    suite = load_suite(find_suite(model), load_catalogue()).suite
    assert catalogue_for(UNITS[model], load_description(UNITS[model], suite), suite) is not None


@pytest.mark.parametrize("model", UNITS)
def test_every_fault_in_every_severity_makes_another_unit(model: str) -> None:
    unit, faults = shipped(model)
    for name, fault in faults.faults.items():
        for severity in fault.severities:
            wanted = injected(unit, faults, [f"{name}={severity}"])
            assert put_in(unit, faults, wanted) != unit, (name, severity)


def test_the_catalogues_hold_what_can_be_wrong_at_each_joint() -> None:
    """The list of the simulated unit's faults: each name stands for one of them."""
    known = {name for model in UNITS for name in shipped(model)[1].faults}
    assert known >= {
        "heat-sheet-missing", "heat-sheet-half", "block-screws-loose", "antenna-left-off", "antenna-right-off",
        "radio-not-seated", "usb-2-fast-pair-open", "usb-4-sags", "lan-pair-open", "lan-plug-intermittent",
        "board-link-half-seated", "button-flex-half-seated", "button-bounces", "cell-flat", "cell-reversed",
        "cell-lead-off", "crystal-off-frequency", "display-1-lane-dead", "headset-channels-swapped",
        "serial-line-noise", "relay-2-stuck", "input-5-off-scale", "screw-left-inside", "wrong-firmware",
        "wrong-board",
    }  # fmt: skip


def faulty(*wanted: str) -> dict[str, Any]:
    return put_in(QUAYSIDE, FAULTS, injected(QUAYSIDE, FAULTS, wanted)).to_json()


def test_a_fault_changes_what_it_names_and_nothing_else() -> None:
    sound, sagging = QUAYSIDE.to_json(), faulty("usb-4-sags=slight")
    assert sagging["usb"]["4"]["ohms"] == pytest.approx(sound["usb"]["4"]["ohms"] + 0.11)
    sagging["usb"]["4"]["ohms"] = sound["usb"]["4"]["ohms"]
    assert sagging == sound


def test_the_first_severity_is_meant_where_none_is_named() -> None:
    assert injected(QUAYSIDE, FAULTS, ["cell-flat"]) == injected(QUAYSIDE, FAULTS, ["cell-flat=flat"])


def test_several_faults_add_up_in_their_order() -> None:
    both = faulty("cell-flat=low", "lan-pair-open")
    assert both["cell"]["volts"] == 2.75 and both["ethernet"][0]["speed"] == 100
    twice = faulty("usb-4-sags", "usb-4-sags")
    assert twice["usb"]["4"]["ohms"] == pytest.approx(0.03 + 2 * 0.18)


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        (["cell-flatt"], 'Did you mean "cell-flat"?'),
        (["cell-flat=dead"], "It has: flat, low, worn."),
        (["nothing-like-it"], "no fault 'nothing-like-it'"),
        (["cell-flat"] * 11, "more than 10 faults"),
    ],
)
def test_a_fault_that_is_not_known_is_told(wanted: list[str], said: str) -> None:
    with pytest.raises(InputError) as caught:
        injected(QUAYSIDE, FAULTS, wanted)
    assert said in str(caught.value)


def test_faults_that_do_not_go_together_are_told() -> None:
    """Good by itself, beyond the bounds when it is put in twice."""
    misses = {"title": "Misses", "severities": {"often": {"add": {"button.missed": 0.6}}}}
    catalogue = Faults.model_validate({"schema": 1, "model": "marrowby-quayside", "faults": {"misses": misses}})
    assert put_in(QUAYSIDE, catalogue, injected(QUAYSIDE, catalogue, ["misses"])) != QUAYSIDE
    with pytest.raises(InputError, match=r"do not go together: button\.missed"):
        put_in(QUAYSIDE, catalogue, injected(QUAYSIDE, catalogue, ["misses"] * 2))


def load(tmp_path: Path, text: str) -> Faults:
    path = tmp_path / "faults.toml"
    path.write_text(HEAD + text)
    suite = load_suite(find_suite("marrowby-quayside"), load_catalogue()).suite
    return load_faults(path, QUAYSIDE, suite)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ('set = { "cell.vols" = 2.1 }', "cell.vols: Extra inputs are not permitted"),
        ('set = { "cells.volts" = 2.1 }', "the unit has no cells"),
        ('set = { "usb.9.ohms" = 2.1 }', "the unit has no usb.9"),
        ('set = { "ethernet.eth7.speed" = 100 }', "the unit has no ethernet.eth7"),
        ('add = { "cell.reversed" = 1 }', "there is no number at cell.reversed"),
        ('scale = { "identity.bios_version" = 2 }', "there is no number at identity.bios_version"),
        ('set = { "cell.volts" = -1.0 }', "greater than or equal to 0"),
        ('set = { "cell.volts" = "empty" }', "cell.volts"),
        ('set = { "seen.cell-vols.value" = 1 }', "the suite has no check cell-vols"),
        ("set = { }", "changes nothing"),
    ],
)
def test_a_bad_change_is_told_at_its_place(tmp_path: Path, change: str, said: str) -> None:
    with pytest.raises(InputProblems) as caught:
        load(tmp_path, f'[faults.bad]\ntitle = "Bad"\n[faults.bad.severities]\nfull = {{ {change} }}\n')
    assert said in str(caught.value)
    assert "faults.toml:6:" in str(caught.value)


def test_a_joint_that_the_suite_does_not_have_is_told(tmp_path: Path) -> None:
    text = '[faults.bad]\ntitle = "Bad"\njoint = "usb-9"\nseverities.full = { set = { "cell.volts" = 2.1 } }\n'
    with pytest.raises(InputProblems, match="the suite has no joint usb-9"):
        load(tmp_path, text)


LEAVES = st.sampled_from(
    [".".join(path) for path in [("cell", "volts"), ("usb", "4"), ("usb", "4", "ohms"), ("ethernet", "eth0"),
     ("lines", "ttyS1", "errors"), ("seen", "a", "value"), ("model",), ("clock",), ("", ""), ("usb", "", "x")]]
)  # fmt: skip
VALUES = st.one_of(st.booleans(), st.integers(-(2**70), 2**70), st.floats(), st.text(max_size=8))


@given(st.dictionaries(st.one_of(LEAVES, st.text(max_size=12)), VALUES, min_size=1, max_size=3))
def test_any_change_makes_a_unit_or_is_told_in_words(changes: dict[str, Any]) -> None:
    from verifier.gather.simulated.faults import Change, _problem

    try:
        change = Change.model_validate({"set": changes})
    except ValueError:
        return
    assert isinstance(_problem(QUAYSIDE, change), str)
    numbers = {k: v for k, v in changes.items() if isinstance(v, int | float) and not isinstance(v, bool)}
    try:
        more = Change.model_validate({"add": numbers, "scale": numbers})
    except ValueError:
        return
    assert isinstance(_problem(QUAYSIDE, more), str)


def test_what_was_put_in_can_be_kept() -> None:
    """The journal's first line holds the unit with its faults in it."""
    assert Description.model_validate(json.loads(json.dumps(faulty("heat-sheet-missing")))).thermal is not None


def test_shipped_faults_serve_another_unit_of_the_model_as_far_as_they_fit(tmp_path: Path) -> None:
    file = tmp_path / "small.toml"
    file.write_text(HEAD + 'title = "Without USB"\n[cell]\nvolts = 3.0\n')
    unit = load_description(file)
    faults = catalogue_for(file, unit)
    found = put_in(unit, faults, injected(unit, faults, ["cell-flat"]))
    assert found.cell is not None and found.cell.volts == 2.1
    with pytest.raises(InputError, match="usb-4-sags does not fit this unit: the unit has no usb"):
        put_in(unit, faults, injected(unit, faults, ["usb-4-sags"]))
