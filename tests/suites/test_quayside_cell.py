"""The coin cell of the Quayside on simulated units: measured while they are open, or typed where no bench can."""

from __future__ import annotations

import pytest

from verifier.declare.lint import load_suite
from verifier.declare.plan import make_plan
from verifier.gather.catalogue import load_catalogue
from verifier.gather.simulated import Description, catalogue_for, load_description, unit_file
from verifier.readings import Verdict
from verifier.shipped import find_suite
from verifier.simulate import order_for, simulate, simulation_of

CELL = ("cell-side", "cell-loaded", "cell-volts", "clock-cell", "clock-keeps")


def verdicts(*faults: str, relays: bool = True) -> dict[str, Verdict | None]:
    """Of all checks that see the cell, on one unit with these faults."""
    probes, file = load_catalogue(), unit_file("simulated", "marrowby-quayside")
    unit = load_description(file)
    if not relays:
        described = unit.to_json()
        del described["bench"]["relays"]
        unit = Description.model_validate(described)
    loaded = load_suite(find_suite("marrowby-quayside"), probes)
    simulation = simulation_of(unit, catalogue_for(file, unit), seed=4, wanted=faults)
    plan = make_plan(loaded.suite, loaded.text, loaded.sha256, order_for(loaded.suite, simulation))
    state, _ = simulate(plan, simulation, probes)
    found = {check: state.counting(check) for check in CELL}
    return {check: a.finding.verdict if a and a.finding else None for check, a in found.items()}


def test_a_good_cell_passes_and_nobody_is_asked_for_what_the_bench_measures() -> None:
    found = verdicts()
    assert found.pop("cell-volts") is Verdict.NOT_RUN
    assert set(found.values()) == {Verdict.PASS}


@pytest.mark.parametrize(
    ("fault", "failing"),
    [
        ("cell-flat=worn", {"cell-loaded"}),  # the clock still runs on it, today
        ("cell-flat=low", {"cell-loaded"}),
        ("cell-flat=flat", {"cell-loaded", "clock-cell", "clock-keeps"}),
        ("cell-reversed=overlooked", {"cell-loaded", "clock-cell", "clock-keeps"}),
        ("cell-lead-off", {"cell-loaded", "clock-cell", "clock-keeps"}),
    ],
)
def test_a_bad_one_is_found_while_the_unit_is_open(fault: str, failing: set[str]) -> None:
    assert {check for check, verdict in verdicts(fault).items() if verdict is Verdict.FAIL} == failing


def test_where_the_bench_has_no_relay_card_the_open_voltage_is_typed() -> None:
    found = verdicts("cell-lead-off", relays=False)
    assert (found["cell-loaded"], found["cell-volts"]) == (Verdict.NOT_RUN, Verdict.FAIL)
