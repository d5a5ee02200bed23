"""A unit that was quarantined comes back: that is told first of all, and work goes on only for a reason."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from bench import SERVER, Bench
from typist import Typist

from verifier.declare.answers import load_answers
from verifier.declare.lint import load_suite
from verifier.errors import InputError
from verifier.gather.catalogue import load_catalogue
from verifier.gather.earlier_quarantine import DESPITE
from verifier.gather.journal import read
from verifier.store.quarantined import quarantined_before
from verifier.store.station import Station

SUITE = """
schema = 1
model = "marrowby-gangway"
title = "Deck tablet"
revision = 1
[serial]
label = false
firmware = false
[[checks]]
id = "bulge"
title = "No bulge"
prompt = "confirm"
say = "Is the rear cover bulged?"
on_fail = "quarantine"
limits = [{ reading = "confirm", is = false, source = "invented" }]
"""
UNIT = "GW-3005172"
REASON = "battery exchanged, looked at with Q01"


@pytest.fixture(scope="module")
def after_quarantine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench at which the unit was quarantined in its one run."""
    made = Bench(tmp_path_factory.mktemp("bench"))
    made.write("suite.toml", SUITE)
    done = run(made, bulge=True)
    assert done.returncode == 1 and "Quarantined" in done.stdout, done.stderr
    return made.folder


@pytest.fixture
def bench(after_quarantine: Path, tmp_path: Path) -> Bench:
    made = Bench(tmp_path)
    shutil.copytree(after_quarantine, tmp_path, dirs_exist_ok=True)
    return made


@pytest.fixture
def earlier(bench: Bench) -> str:
    return bench.only_run().name


def run(bench: Bench, *, bulge: bool, serial: str = UNIT, at: str = "none") -> subprocess.CompletedProcess[str]:
    bench.write("answers.toml", f'[bulge]\nvalue = {str(bulge).lower()}\nby = "T07"\n')
    return bench.command("run", "suite.toml", "--at", at, "--serial", serial, "--answers", "answers.toml")


def opened(bench: Bench, earlier: str) -> Path:
    """The folder of the run after the one that quarantined."""
    (folder,) = (folder for folder in (bench.station / "runs").iterdir() if folder.name != earlier)
    return folder


def resume_at_terminal(bench: Bench, answer: str, at_review: str = "") -> tuple[int, str]:
    person = Typist(bench.folder, "resume", "--technician", "T07", "--answers", "answers.toml")
    person.when("Why does work go on?")
    person.when("text: ", f"{answer}\n")
    if at_review:
        person.when("seal, again, correct", f"{at_review}\n")
    return person.ended(), person.screen


def test_nobody_there_stops_the_run_and_a_reason_at_the_terminal_lets_it_go_on(bench: Bench, earlier: str) -> None:
    stopped = run(bench, bulge=False)
    assert stopped.returncode == 2 and stopped.stdout == ""
    assert f"unit {UNIT} was quarantined on" in stopped.stderr and earlier in stopped.stderr
    assert "No bulge" in stopped.stderr and "verifier resume" in stopped.stderr
    kinds = [event.kind for event in read(opened(bench, earlier) / "journal").events]
    assert "check-began" not in kinds and kinds[-1] == "stopped", "before the first check"

    code, said = resume_at_terminal(bench, ":cannot not looked at yet")
    assert code == 2 and "nobody said why work goes on" in " ".join(said.split()), said
    assert "check-began" not in [event.kind for event in read(opened(bench, earlier) / "journal").events]

    code, said = resume_at_terminal(bench, REASON, "seal")
    assert code == 0, said
    assert said.index("This unit was quarantined before") < said.index("Review before sealing")
    events = read(opened(bench, earlier) / "journal").events
    (act,) = [event.data["act"] for event in events if event.kind == "act"]
    assert act["kind"] == "go-on" and act["subject"] == earlier and act["why"] == REASON
    assert [e.kind for e in events].index("act") < [e.kind for e in events].index("check-began")
    report = (opened(bench, earlier) / "report.html").read_text("utf-8")
    assert "Quarantined before." in report and earlier in report and REASON in report
    assert bench.command("audit", str(opened(bench, earlier) / "report.html")).returncode == 0


def test_no_answer_to_it_can_be_prepared(bench: Bench) -> None:
    path = bench.write("answers.toml", f'["{DESPITE}"]\nvalue = "made good"\nby = "T07"\n')
    suite = load_suite(bench.folder / "suite.toml", load_catalogue()).suite
    with pytest.raises(InputError, match=DESPITE):
        load_answers(path, suite)


def test_others_and_simulated_units_are_no_matter_of_it(bench: Bench) -> None:
    station = Station.at(bench.station)
    assert quarantined_before(station, "marrowby-gangway", UNIT) is not None
    assert quarantined_before(station, "marrowby-gangway", "GW-3005173") is None
    assert quarantined_before(station, "marrowby-orlop", UNIT) is None, "numbers of another model"
    # A recording is sealed as simulated: it neither minds a real quarantine nor makes one for real units.
    assert run(bench, bulge=False, at=f"recorded:{SERVER}").returncode == 0
    assert run(bench, bulge=True, at=f"recorded:{SERVER}", serial="GW-1").returncode == 1
    for _ in range(2):
        assert quarantined_before(station, "marrowby-gangway", "GW-1") is None
        station.store_file.unlink(missing_ok=True)  # and then by the sealed record


def test_it_is_found_without_the_store_and_not_once_it_was_voided(bench: Bench, earlier: str) -> None:
    station = Station.at(bench.station)
    found = quarantined_before(station, "marrowby-gangway", UNIT)
    assert found is not None and found.run == earlier and "No bulge" in found.why
    station.store_file.write_bytes(b"no database")
    assert quarantined_before(station, "marrowby-gangway", UNIT) == found, "read from the sealed record"
    station.store_file.unlink()
    assert quarantined_before(station, "marrowby-gangway", UNIT) == found, "which the store never held"
    voided = bench.command("amend", earlier, "--void", "--why", "the wrong tablet", "--technician", "Q01")
    assert voided.returncode == 0, voided.stderr
    assert quarantined_before(station, "marrowby-gangway", UNIT) is None


def test_a_corrected_serial_number_counts_as_corrected(bench: Bench, earlier: str) -> None:
    done = bench.command(
        "amend", earlier, "--correct", "serial=GW-3005199", "--why", "label read wrong", "--technician", "Q01"
    )
    assert done.returncode == 0, done.stderr
    station = Station.at(bench.station)
    assert quarantined_before(station, "marrowby-gangway", UNIT) is None
    assert quarantined_before(station, "marrowby-gangway", "GW-3005199") is not None


def test_a_run_that_was_left_unsealed_counts_too(bench: Bench, earlier: str) -> None:
    """Killed, or left at its review, after the unit was quarantined in it."""
    folder = bench.only_run()
    for name in ("sealed.json", "report.html"):
        (folder / name).unlink()
    lines = (folder / "journal").read_bytes().splitlines(keepends=True)
    assert b'"sealed"' in lines[-1]
    (folder / "journal").write_bytes(b"".join(lines[:-1]))
    (bench.station / "store.db").unlink()
    station = Station.at(bench.station)
    found = quarantined_before(station, "marrowby-gangway", UNIT)
    assert found is not None and found.run == earlier and not found.sealed and "No bulge" in found.why
    assert quarantined_before(station, "marrowby-orlop", UNIT) is None
    assert "the unit is quarantined" in bench.command("runs").stdout
