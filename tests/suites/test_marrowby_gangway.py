"""The shipped suite of the Gangway, on a tablet of our own in virtual time: healthy, and with one fault at a time.

Engine, probes, judge and disposition are the real ones; tablet, technician and leak fixture are scripted.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import anyio
import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "gather/hosts"))
from ssh_unit import SshUnit
from tablet import AtFixture, Scripted, Tablet

from verifier import flow
from verifier.commands.progress import Lines
from verifier.declare.answers import PreparedAnswer, PreparedAnswers, load_answers
from verifier.declare.coverage import by_eye_only, disturbed_joints
from verifier.declare.lint import LoadedSuite, load_suite
from verifier.declare.order import Fasteners, RepairOrder, Replaced
from verifier.declare.order_file import load_order
from verifier.declare.plan import make_plan
from verifier.gather.catalogue import ProbeCatalogue, load_catalogue
from verifier.gather.engine import Engine
from verifier.gather.prompts.prepared import PreparedAsker
from verifier.gather.prompts.question import Given, Question
from verifier.gather.state import RunState
from verifier.gather.virtual_time import backend_options
from verifier.judge import SuiteJudge, outcome
from verifier.readings import Disposition, Outcome, Person, Stage, Verdict
from verifier.shipped import find_suite
from verifier.steps import Cue
from verifier.store.station import Station

HERE = Path(__file__).parent
TREE = HERE.parent / "reference/hardware/gangway"
ORDER, ANSWERS = HERE / "gangway-order.toml", HERE / "gangway-answers.toml"
FOLDER = find_suite("marrowby-gangway").parent
T07 = Person(name="T07", known="order")


@pytest.fixture(scope="module")
def catalogue() -> ProbeCatalogue:
    return load_catalogue()


@pytest.fixture(scope="module")
def loaded(catalogue: ProbeCatalogue) -> LoadedSuite:
    return load_suite(find_suite("marrowby-gangway"), catalogue)


class Willing(PreparedAsker):
    """Answers from the file, and does what it is told."""

    tablet: Tablet
    code = ""

    async def cue(self, title: str, cue: Cue) -> Person:
        self.tablet.act(cue.say)
        self.code = cue.code
        return T07

    async def ask(self, question: Question) -> Given:
        if question.about.startswith("code, "):
            return Given(value=self.code, by=T07)
        if question.about == "beeps":
            heard, self.tablet.heard = self.tablet.heard, 0
            return Given(value=str(heard), by=T07)
        return await super().ask(question)


@dataclass
class Case:
    tablet: Tablet
    order: RepairOrder
    answers: PreparedAnswers
    loaded: LoadedSuite
    catalogue: ProbeCatalogue
    station: Path
    leak: float = 0.05
    """Pa a second."""
    begun: list[str] = field(default_factory=list)

    def answer(self, check: str, value: float | str | bool) -> None:
        self.answers[check] = PreparedAnswer(values=(value,))

    def run(self) -> tuple[RunState, Outcome]:
        suite, clocks = self.loaded.suite, self.tablet.clocks
        plan = make_plan(suite, self.loaded.text, self.loaded.sha256, self.order)
        running = flow.begin(Station.at(self.station), plan, at="ssh://unit@192.0.2.1", technician=T07)
        asker = Willing(self.answers, T07, label=self.answers.label)
        asker.tablet = self.tablet
        engine = Engine(
            state=running.state,
            journal=running.journal,
            judge=SuiteJudge(suite.decision),
            catalogue=self.catalogue,
            taker=Scripted(self.catalogue, self.tablet),
            asker=asker,
            watcher=Lines(silent=True),
            instruments=AtFixture(self.catalogue, self.station / "fixture", clocks, self.leak),
        )

        async def work() -> None:
            await engine.identify()
            await engine.run(list(Stage))

        try:
            anyio.run(work, backend_options=backend_options(clocks))
        finally:
            running.journal.close()
        state = running.state
        return state, outcome(plan, state.counting_attempts(), state.waived, state.quarantined)


@pytest.fixture
def case(tmp_path: Path, loaded: LoadedSuite, catalogue: ProbeCatalogue, monkeypatch: pytest.MonkeyPatch) -> Case:
    # Hundreds of entries a run, each flushed to disk: nobody pulls the plug here.
    monkeypatch.setattr("verifier.gather.journal.os.fdatasync", lambda fd: None)
    tree = tmp_path / "unit"
    shutil.copytree(TREE, tree, symlinks=True)
    order, answers = load_order(ORDER, loaded.suite), load_answers(ANSWERS, loaded.suite)
    return Case(Tablet(tree), order, answers, loaded, catalogue, tmp_path / "station")


def verdicts(state: RunState, *wanted: Verdict) -> set[str]:
    return {
        check_id
        for check_id, attempt in state.counting_attempts().items()
        if attempt.finding is not None and attempt.finding.verdict in wanted
    }


# ---- healthy ------------------------------------------------------------------------------------------


def test_nothing_to_mend(loaded: LoadedSuite) -> None:
    assert loaded.warnings == () and loaded.suite.state == "approved"
    assert all(limit.source for check in loaded.suite.checks for limit in check.limits)


def test_a_healthy_tablet_is_released_with_every_disturbed_joint_measured(case: Case) -> None:
    state, end = case.run()
    assert end.disposition is Disposition.RELEASE, end.reason
    assert verdicts(state, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.BENCH_ERROR, Verdict.NOT_RUN) == set()
    disturbed = {joint.joint: joint.coverage for joint in end.joints if joint.disturbed}
    assert disturbed == dict.fromkeys(("battery-connector", "touch-flex", "display-flex", "case-seal"), "measured")
    charge = {r.name: r for r in state.counting_attempts()["charge"].takes[0]}
    assert charge["stopped_by"].value == "taper" and charge["hottest"].series is not None
    # 14 % of 7.6 A·h, and what the taper adds.
    assert float(charge["charged"].value) == pytest.approx(0.13 * 7.6, rel=0.15)


def test_nothing_is_charged_before_the_cell_was_looked_at(case: Case) -> None:
    state, _ = case.run()
    attempts = state.counting_attempts()
    began = {name: float(attempt.began.boot) for name, attempt in attempts.items()}
    looked = [check.id for check in case.loaded.suite.checks if check.quarantines and check.stage.order < 2]
    assert set(looked) == {"rocks", "bulge", "dent", "leak", "smell", "warm", "cell"}
    assert all(began[name] <= began["charge"] for name in looked)


@pytest.mark.parametrize("part", tomllib.loads((FOLDER / "suite.toml").read_text("utf-8"))["parts"])
def test_every_joint_of_every_part_has_a_required_check_better_than_a_yes(loaded: LoadedSuite, part: str) -> None:
    proved = {
        joint
        for check in loaded.suite.checks
        if check.required and check.limits and check.stage is not Stage.ARRIVAL and not by_eye_only(check)
        for joint in check.covers
    }
    assert disturbed_joints(loaded.suite, [part]) and not set(disturbed_joints(loaded.suite, [part])) - proved


def test_a_whole_main_board_is_proved_again(case: Case) -> None:
    replaced = (Replaced(part="main-board"),)
    fasteners = {"m2x5": Fasteners(removed=8, fitted=8)}
    case.order = case.order.model_copy(update={"replaced": replaced, "fasteners": fasteners})
    _, end = case.run()
    assert end.disposition is Disposition.RELEASE, end.reason
    disturbed = {joint.joint: joint.coverage for joint in end.joints if joint.disturbed}
    assert len(disturbed) == 13 and set(disturbed.values()) == {"measured"}


# ---- a damaged cell stops everything --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("check", "answer"),
    [
        ("rocks", True), ("bulge", True), ("dent", True), ("leak", True), ("smell", True), ("warm", 52.0),
        ("cell", "swollen"), ("still-flat", True),
    ],
)  # fmt: skip
def test_any_sign_of_a_damaged_cell_is_quarantine(case: Case, check: str, answer: bool | float | str) -> None:
    case.answer(check, answer)
    state, end = case.run()
    assert end.disposition.value == "hold: quarantined"
    assert verdicts(state, Verdict.FAIL) == {check}
    charged = any("the charger on" in said for said in case.tablet.said)
    assert charged == (check == "still-flat") and not case.tablet.plugged


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda t: setattr(t.cell, "end_voltage", 4.6), "over-voltage"),
        (lambda t: setattr(t.cell, "limit", 3.2), "over-current"),
        (lambda t: setattr(t.cell, "kelvin_per_watt", 90.0), "temperature"),
    ],
    ids=["over-voltage", "over-current", "hot"],
)
def test_a_charge_that_harms_is_stopped_and_quarantined(
    case: Case, spoil: Callable[[Tablet], None], why: str
) -> None:
    spoil(case.tablet)
    state, end = case.run()
    assert end.disposition.value == "hold: quarantined"
    found = {r.name: r.value for r in state.counting_attempts()["charge"].takes[0]}
    assert found["stopped_by"] == why and found["ended"] is True
    assert case.tablet.inhibited and not case.tablet.plugged


# ---- one fault at a time --------------------------------------------------------------------------------

Spoil = Callable[[Case], None]
FAULTS: dict[str, tuple[Spoil, str]] = {
    "worn battery": (lambda c: c.tablet.write("sys/class/power_supply/BAT0/charge_full", "5400000"), "battery"),
    "plug of the charger out": (lambda c: setattr(c.tablet, "unplugged_at", 900.0), "charged"),
    "backlight off": (lambda c: c.tablet.write("sys/class/backlight/panel-backlight/bl_power", "4"), "backlight"),
    "five dark pixels": (lambda c: c.answer("pixels", 5), "pixels"),
    "a line of the touch panel open": (lambda c: c.tablet.dead.update((0, row) for row in range(16)), "touch"),
    "no rear camera": (lambda c: c.tablet.lose("sys/class/video4linux/video2"), "rear-camera"),
    "front camera cut off": (lambda c: c.answer("front-picture", "a side cut off"), "front-picture"),
    "an axis stands still": (lambda c: setattr(c.tablet, "stuck_axis", True), "motion"),
    "buttons exchanged": (lambda c: setattr(c.tablet, "exchanged", True), "volume-buttons"),
    "speaker silent": (lambda c: setattr(c.tablet, "mute", True), "speaker-heard"),
    "no satellites": (lambda c: c.answer("satellites", 0), "satellites"),
    "antenna B off": (lambda c: c.answer("bluetooth-beacon", -88), "bluetooth-beacon"),
    "USB-C fell back": (lambda c: c.tablet.write("sys/bus/usb/devices/2-1/speed", "480"), "usb-c"),
    "dock without network": (lambda c: setattr(c.tablet, "lost_in_dock", "sys/class/net/eth0/carrier"), "dock"),
    "a leak": (lambda c: setattr(c, "leak", 1.2), "seal"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_fails_its_check_and_no_other(case: Case, fault: str) -> None:
    spoil, wanted = FAULTS[fault]
    spoil(case)
    state, end = case.run()
    assert verdicts(state, Verdict.FAIL) == {wanted}
    assert verdicts(state, Verdict.INCONCLUSIVE, Verdict.BENCH_ERROR) == set()
    assert end.disposition is Disposition.REWORK
    assert end.reason.startswith(f"“{case.loaded.suite.check(wanted).title}” failed")


def test_a_small_leak_beside_what_the_air_does_decides_nothing(case: Case) -> None:
    """0.02 K of 103.3 kPa are 7 Pa as half-width, u = 4.1 Pa: 35 Pa lie within 1.96 u of the limit of 40 Pa."""
    case.leak = 35 / 60
    state, end = case.run()
    assert verdicts(state, Verdict.INCONCLUSIVE) == {"seal"} and end.disposition is Disposition.HOLD


def test_an_adhesive_that_has_not_cured_is_not_tested(case: Case) -> None:
    from datetime import UTC, datetime

    fresh = case.order.consumables[0].model_copy(update={"applied": datetime.now(UTC)})
    case.order = case.order.model_copy(update={"consumables": (fresh,)})
    state, end = case.run()
    assert verdicts(state, Verdict.NOT_RUN) == {"cured", "seal"} and end.disposition is Disposition.HOLD
    assert "it can be tested from" in end.reason


# ---- a recording, and over SSH --------------------------------------------------------------------------

WATCHED = {
    "charge",
    "charged",
    "still-flat",
    "touch",
    "front-code",
    "rear-code",
    "motion",
    "volume-buttons",
    "dock",
    "seal",
}
"""What needs a hand, a charger or an instrument."""


def test_over_ssh_all_that_stands_still_passes_and_the_tablet_is_held(tmp_path: Path) -> None:
    """A real OpenSSH server whose /sys is the composed tree; nobody at a terminal who could do anything."""
    tree = tmp_path / "tree"
    shutil.copytree(TREE, tree, symlinks=True)
    with SshUnit(tmp_path, sys=tree / "sys") as unit:
        unit.let_in(tmp_path / "station/ssh")
        run = ("run", "marrowby-gangway", "--at", unit.address, "--host-key", unit.fingerprint)
        ended = subprocess.run(
            [sys.executable, "-m", "verifier", *run, "--repair", str(ORDER), "--answers", str(ANSWERS),
             "--station", str(tmp_path / "station")],
            capture_output=True, text=True, stdin=subprocess.DEVNULL, cwd=tmp_path, timeout=120,
        )  # fmt: skip
    assert ended.returncode == 1, ended.stderr
    by_verdict: dict[str, set[str]] = {}
    for verdict, said in re.findall(r"(?m)^  (pass|fail|inconclusive|not-run|bench-error) +(.*)$", ended.stderr):
        by_verdict.setdefault(verdict, set()).add(said.partition(":")[0])
    suite = tomllib.loads((FOLDER / "suite.toml").read_text("utf-8"))
    titles = {check["id"]: check["title"] for check in suite["checks"]}
    # This machine's own /proc is not the tablet's: sound and radio are read from there.
    elsewhere = {"wifi", "sound-card", "speaker-heard"}
    held = {titles[name] for name in WATCHED}
    assert by_verdict["not-run"] - {titles[name] for name in elsewhere} == held
    assert by_verdict.get("fail", set()) <= {titles[name] for name in elsewhere}
    assert titles["battery"] in by_verdict["pass"] and titles["usb-c-turned"] in by_verdict["pass"]
