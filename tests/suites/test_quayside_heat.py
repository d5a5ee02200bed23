"""The heat path of the Quayside on simulated units: sound ones are released soon, bad interfaces never are."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from verifier.commands.main import cli
from verifier.declare.lint import load_suite
from verifier.declare.plan import make_plan
from verifier.gather.catalogue import load_catalogue
from verifier.gather.simulated import catalogue_for, load_description, unit_file
from verifier.readings import Finding, Verdict
from verifier.shipped import find_suite
from verifier.simulate import order_for, simulate, simulation_of


def heat_path(seed: int, *faults: str) -> tuple[Finding, float]:
    """The finding, and how long the unit was heated for it."""
    probes, file = load_catalogue(), unit_file("simulated", "marrowby-quayside")
    unit = load_description(file)
    loaded = load_suite(find_suite("marrowby-quayside"), probes)
    simulation = simulation_of(unit, catalogue_for(file, unit), seed=seed, wanted=faults)
    plan = make_plan(loaded.suite, loaded.text, loaded.sha256, order_for(loaded.suite, simulation))
    state, _ = simulate(plan, simulation, probes)
    attempt = state.counting("heat-path")
    assert attempt is not None and attempt.finding is not None
    heated = next(r.value for take in attempt.takes for r in take if r.name == "heated_for")
    assert isinstance(heated, float)
    return attempt.finding, heated


def test_sound_units_pass_after_a_few_minutes() -> None:
    found = [heat_path(seed) for seed in (1, 2, 3)]
    assert [finding.verdict for finding, _ in found] == [Verdict.PASS] * 3
    assert sorted(heated for _, heated in found)[1] < 0.26 * 2700


@pytest.mark.parametrize("fault", ["heat-sheet-missing", "heat-sheet-half"])
def test_a_bad_interface_fails_as_early(fault: str) -> None:
    finding, heated = heat_path(1, fault)
    assert finding.verdict is Verdict.FAIL
    assert heated < 0.35 * 2700


def test_loose_screws_are_not_released() -> None:
    assert heat_path(1, "block-screws-loose")[0].verdict is not Verdict.PASS


def test_looks_are_journalled_and_the_report_says_when_it_stopped(tmp_path: Path) -> None:
    suite = tmp_path / "suite.toml"
    suite.write_text("""
schema = 1
model = "marrowby-quayside"
title = "Heat path"
revision = 1
[serial]
label = false
firmware = false
[[checks]]
id = "heat-path"
title = "Heat path holds"
probe = "thermal.step"
settings = { sensor = "processor", power = 10.0, slow = [500, 800] }
limits = [{ reading = "rise", at_most = 45, unit = "K", source = "invented" }]
""")
    report = tmp_path / "report.html"
    asked = ["run", str(suite), "--at", "simulated", "--seed", "4", "--scripted"]
    result = CliRunner().invoke(cli, [*asked, "--station", str(tmp_path / "station"), "--out", str(report)])
    assert result.exit_code == 0, result.output
    assert "A unit under load gets hot" in result.output
    (journal,) = (tmp_path / "station/runs").glob("*/journal")
    events = [json.loads(line.split(b" ", 1)[1]) for line in journal.read_bytes().splitlines()]
    looks = [event["data"] for event in events if event["kind"] == "look"]
    assert [look["enough"] for look in looks] == [False] * (len(looks) - 1) + [True]
    assert all(look["readings"][0]["conditions"]["looks"] == 10 for look in looks)
    page = report.read_text("utf-8")
    assert f"ooked at {len(looks)} of 10 times" in page
    assert "off the fit" in page
