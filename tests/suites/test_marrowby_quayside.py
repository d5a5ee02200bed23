"""The shipped suite of the Quayside, on a composed recording: healthy, and with one fault at a time.

Runs in this process are made with the real engine, judge and disposition; only the worker processes are left out.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import os
import re
import select
import shutil
import signal
import subprocess
import sys
import tomllib
from collections.abc import AsyncGenerator, Callable, Mapping
from contextlib import aclosing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import anyio
import pytest

from verifier import flow
from verifier.commands.progress import Lines
from verifier.declare.answers import PreparedAnswer, PreparedAnswers, load_answers
from verifier.declare.coverage import by_eye_only, disturbed_joints
from verifier.declare.fasteners import due, fastener_types
from verifier.declare.lint import LoadedSuite, load_suite
from verifier.declare.order import Fasteners, RepairOrder, Replaced
from verifier.declare.order_file import load_order
from verifier.declare.plan import make_plan
from verifier.errors import WrongUnit
from verifier.gather.catalogue import ProbeCatalogue, load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.engine import Engine
from verifier.gather.hosts import open_host
from verifier.gather.prompts.prepared import PreparedAsker
from verifier.gather.state import RunState
from verifier.gather.workers import run_probe
from verifier.judge import SuiteJudge, outcome
from verifier.readings import Disposition, Outcome, Person, ProbeDeclaration, Reading, Stage, Verdict
from verifier.shipped import find_suite
from verifier.store.station import Station

HERE = Path(__file__).parent
HEALTHY = HERE.parent / "reference/hardware/quayside"
ORDER, ANSWERS = HERE / "quayside-order.toml", HERE / "quayside-answers.toml"
FOLDER = find_suite("marrowby-quayside").parent

NOT_COVERED: dict[str, str] = {}
"""Joints that no check covers on purpose, with the reason. The suite's own remarks say the same: none."""


@pytest.fixture(scope="module")
def catalogue() -> ProbeCatalogue:
    return load_catalogue()


@pytest.fixture(scope="module")
def loaded(catalogue: ProbeCatalogue) -> LoadedSuite:
    return load_suite(find_suite("marrowby-quayside"), catalogue)


class Here:
    """Takes readings in this process."""

    def __init__(self, catalogue: ProbeCatalogue) -> None:
        self.catalogue = catalogue

    async def take(
        self,
        probe: str,
        settings: Mapping[str, Any],
        host_address: str,
        *,
        declaration: ProbeDeclaration,
        deadline: float,
    ) -> AsyncGenerator[Reading]:
        host = open_host(host_address, RealClocks())
        async with aclosing(run_probe(self.catalogue.probe(probe), host, settings)) as readings:  # type: ignore[type-var]
            async for reading in readings:
                yield reading


@dataclass
class Case:
    """A unit, its order and its answers, to be spoilt and run."""

    tree: Path
    order: RepairOrder
    answers: PreparedAnswers
    loaded: LoadedSuite
    catalogue: ProbeCatalogue
    station: Path

    def file(self, path: str) -> Path:
        return self.tree / path

    def write(self, path: str, text: str) -> None:
        self.file(path).write_text(text + "\n")

    def lose(self, path: str) -> None:
        shutil.rmtree(self.file(path))

    def answer(self, check: str, value: float | str) -> None:
        self.answers[check] = PreparedAnswer(values=(value,))

    def count(self, kind: str, **counts: int) -> None:
        told = self.order.fasteners[kind].model_copy(update=counts)
        self.order = self.order.model_copy(update={"fasteners": {**self.order.fasteners, kind: told}})

    def run(self) -> tuple[RunState, Outcome]:
        suite = self.loaded.suite
        plan = make_plan(suite, self.loaded.text, self.loaded.sha256, self.order)
        person = Person(name="T04", known="order")
        running = flow.begin(Station.at(self.station), plan, at=f"recorded:{self.tree}", technician=person)
        engine = Engine(
            state=running.state,
            journal=running.journal,
            judge=SuiteJudge(suite.decision),
            catalogue=self.catalogue,
            taker=Here(self.catalogue),
            asker=PreparedAsker(self.answers, person, label=self.answers.label),
            watcher=Lines(silent=True),
        )

        async def work() -> None:
            await engine.identify()
            await engine.run(list(Stage))

        try:
            anyio.run(work)
        finally:
            running.journal.close()
        return running.state, outcome(plan, running.state.counting_attempts(), running.state.waived)


@pytest.fixture
def case(tmp_path: Path, loaded: LoadedSuite, catalogue: ProbeCatalogue, monkeypatch: pytest.MonkeyPatch) -> Case:
    # Two hundred entries a run, each flushed to disk: nobody pulls the plug here.
    monkeypatch.setattr("verifier.gather.journal.os.fdatasync", lambda fd: None)
    tree = tmp_path / "unit"
    shutil.copytree(HEALTHY, tree, symlinks=True)
    order, answers = load_order(ORDER, loaded.suite), load_answers(ANSWERS, loaded.suite)
    return Case(tree, order, answers, loaded, catalogue, tmp_path / "station")


def verdicts(state: RunState, *wanted: Verdict) -> set[str]:
    return {
        check_id
        for check_id, attempt in state.counting_attempts().items()
        if attempt.finding is not None and attempt.finding.verdict in wanted
    }


# ---- healthy ------------------------------------------------------------------------------------------


def test_nothing_to_mend(loaded: LoadedSuite) -> None:
    assert loaded.warnings == ()
    assert loaded.suite.state == "approved"
    assert all(limit.source for check in loaded.suite.checks for limit in check.limits)


def test_healthy_unit_is_released_with_every_disturbed_joint_measured(case: Case) -> None:
    state, end = case.run()
    assert end.disposition is Disposition.RELEASE, end.reason
    # What a recording cannot show (a link watched, flags of a running clock, squares and beeps to be counted) and
    # screws that were not out.
    counted = {"display-1-picture", "display-2-picture", "headset-heard"}
    # Nor has a recording a bench with instruments beside it; the unit started, so that no ladder is climbed.
    ports = {"usb-1-vbus", "usb-2-vbus", "usb-3-vbus", "usb-4-vbus"}
    by_instrument = {*ports, "supply-signature", "cell-loaded"}
    ladder = {"start-standby", "start-key", "start-lamp", "start-picture"}
    left_out = {
        "heat-path",
        "lan-steady",
        "lan-wiggle",
        "clock-cell",
        "clock-keeps",
        "balance-m4x10",
        "wifi-far-end",
        *counted,
        *by_instrument,
        *ladder,
    }
    assert verdicts(state, Verdict.NOT_RUN) == left_out
    assert verdicts(state, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.BENCH_ERROR) == set()
    assert {joint.coverage for joint in end.joints if joint.disturbed} == {"measured"}
    assert sum(joint.disturbed for joint in end.joints) == 23


@pytest.mark.parametrize("part", tomllib.loads((FOLDER / "suite.toml").read_text("utf-8"))["parts"])
def test_whatever_part_is_replaced_every_joint_is_proved_again(case: Case, part: str) -> None:
    suite = case.loaded.suite
    order = RepairOrder(serial="QS-2004174", replaced=(Replaced(part=part),))
    needed = {kind: due(suite, order, kind) for kind in fastener_types(suite)}
    counts = {kind: Fasteners(removed=n, fitted=n) for kind, n in needed.items() if n}
    case.order = order.model_copy(update={"fasteners": counts})
    _, end = case.run()
    assert end.disposition is Disposition.RELEASE, end.reason
    disturbed = {joint.joint: joint.coverage for joint in end.joints if joint.disturbed}
    assert disturbed
    assert {joint for joint, coverage in disturbed.items() if coverage != "measured"} == set(NOT_COVERED)


def test_every_joint_has_a_required_check_better_than_a_yes(loaded: LoadedSuite) -> None:
    """Not only in the recording: no joint hangs on a check that may be left out."""
    suite = loaded.suite
    proved = {
        joint
        for check in suite.checks
        if check.required and check.limits and check.stage is not Stage.ARRIVAL and not by_eye_only(check)
        for joint in check.covers
    }
    for part in suite.parts:
        assert set(disturbed_joints(suite, [part])) - proved == set(NOT_COVERED), part


# ---- one fault at a time --------------------------------------------------------------------------------


def fell_back(case: Case) -> None:
    """What a USB 3 socket with an open fast pair does: the stick turns up at the USB 2 path."""
    usb = case.file("sys/bus/usb/devices")
    (usb / "2-2").rename(usb / "1-2")
    (usb / "1-2/speed").write_text("480\n")


def damage_edid(case: Case) -> None:
    path = case.file("sys/class/drm/card0-DP-2/edid")
    data = bytearray(path.read_bytes())
    data[40] ^= 0x04
    path.write_bytes(bytes(data))


def unplug_display(case: Case) -> None:
    case.write("sys/class/drm/card0-DP-1/status", "disconnected")
    case.file("sys/class/drm/card0-DP-1/edid").write_bytes(b"")


def weak_radio(case: Case) -> None:
    text = case.file("radio.json").read_text()
    case.write("radio.json", text.replace('"level": -45', '"level": -61'))


def antenna_off(case: Case, chain: str) -> None:
    """19 dB less on its chain, as the demo world has it; all chains together lose 3 dB."""
    told = json.loads(case.file("radio.json").read_text())
    (station,) = told["stations"]["wlan0"]
    station["chains"][chain] -= 19
    station["level"] -= 3
    case.file("radio.json").write_text(json.dumps(told))


def clock_lost(case: Case) -> None:
    case.file("errors.json").write_text(json.dumps({"/sys/class/rtc/rtc0/since_epoch": "EINVAL"}))


FAULTS: dict[str, tuple[Callable[[Case], None], str, set[str]]] = {
    "port 2 fell back to USB 2": (fell_back, "usb-2", {"usb-2"}),
    "port 1 finds nothing": (lambda c: c.lose("sys/bus/usb/devices/2-1"), "usb-1", {"usb-1"}),
    "port 3 at half speed": (lambda c: c.write("sys/bus/usb/devices/2-3/speed", "5000"), "usb-3", {"usb-3"}),
    "port 4 sags": (lambda c: c.answer("usb-4-volts", 4.61), "usb-4-volts", {"usb-4"}),
    "network at 100": (lambda c: c.write("sys/class/net/eth0/speed", "100"), "lan", {"lan", "board-link"}),
    "network at half duplex": (
        lambda c: c.write("sys/class/net/eth0/duplex", "half"),
        "lan",
        {"lan", "board-link"},
    ),
    "display 1 not seen": (unplug_display, "display-1", {"display-1"}),
    "display 2 with a bit lost": (damage_edid, "display-2", {"display-2"}),
    "hot": (
        lambda c: c.write("sys/class/thermal/thermal_zone0/temp", "66000"),
        "heat-idle",
        {"heat-sheet", "heat-block-screws"},
    ),
    "old firmware": (lambda c: c.write("sys/class/dmi/id/bios_version", "3.3.9"), "firmware-level", set()),
    "a main board of another model": (
        lambda c: c.write("sys/class/dmi/id/board_name", "QS-MB-2"),
        "identity",
        set(),
    ),
    "half the memory": (lambda c: c.write("proc/meminfo", "MemTotal: 3951706 kB"), "memory", set()),
    "no storage": (lambda c: c.lose("sys/block/nvme0n1"), "storage", {"storage-socket"}),
    "no power button": (lambda c: c.lose("sys/class/input/input0"), "power-button", {"button-flex"}),
    "no Bluetooth": (lambda c: c.lose("sys/class/bluetooth/hci0"), "bluetooth", {"radio-socket"}),
    "weak radio": (weak_radio, "wifi", {"radio-socket"}),
    "left antenna off": (lambda c: antenna_off(c, "0"), "antenna-left", {"antenna-left"}),
    "right antenna off": (lambda c: antenna_off(c, "1"), "antenna-right", {"antenna-right"}),
    "no sound input": (lambda c: c.lose("proc/asound/card0/pcm0c"), "sound-card", set()),
    "clock lost its time": (clock_lost, "clock", set()),
    "one spacer missing": (lambda c: c.answer("edge-spacers", 1), "edge-spacers", {"edge-spacers"}),
    "one lead off": (lambda c: c.answer("antenna-leads", 1), "antenna-leads", {"antenna-left", "antenna-right"}),
    "cell reversed": (lambda c: c.answer("cell-volts", -3.05), "cell-volts", {"cell-lead", "cell-clip"}),
    "old heat sheet": (lambda c: c.answer("heat-sheet-laid", "old sheet"), "heat-sheet-laid", {"heat-sheet"}),
    "ticket with a gap": (lambda c: c.answer("ticket", 39), "ticket", {"serial-1"}),
    "one screw left over": (lambda c: c.count("m3x6", fitted=12, left=1), "balance-m3x6", {"board-screws"}),
    "one screw astray": (lambda c: c.count("m3x6", discarded=0), "balance-m3x6", {"board-screws"}),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_fails_its_check_and_no_other(case: Case, fault: str) -> None:
    spoil, wanted, joints = FAULTS[fault]
    spoil(case)
    state, end = case.run()
    assert verdicts(state, Verdict.FAIL) == {wanted}
    assert verdicts(state, Verdict.INCONCLUSIVE, Verdict.BENCH_ERROR) == set()
    assert end.disposition is Disposition.REWORK
    check = case.loaded.suite.check(wanted)
    assert end.reason.startswith(f"“{check.title}” failed")
    assert set(check.covers) == joints


def test_the_balance_names_what_is_wrong(case: Case) -> None:
    case.count("m3x6", fitted=12, left=1)
    state, end = case.run()
    finding = state.counting_attempts()["balance-m3x6"].finding
    assert finding is not None
    # 12 of 13 in, one on the mat: the sum is right, the screw is missing all the same.
    assert {held.reading: (held.value, held.verdict) for held in finding.held} == {
        "missing": (1, Verdict.FAIL),
        "astray": (0, Verdict.PASS),
    }
    assert "M3 × 6" in end.reason and "missing: 1" in end.reason


def test_screws_that_nobody_counted_hold_the_unit(case: Case) -> None:
    rest = {kind: counts for kind, counts in case.order.fasteners.items() if kind != "m3x6"}
    case.order = case.order.model_copy(update={"fasteners": rest})
    _, end = case.run()
    assert end.disposition is Disposition.HOLD
    assert "does not count m3x6, and 13 were out" in end.reason


def test_too_near_the_limit_is_no_verdict(case: Case) -> None:
    # 57 °C less 1.96 × 1.2 K leaves 54.7 °C; the sensor's half-width is 2 K (u = 2/√3 K, JCGM 100, 4.3.7).
    case.write("sys/class/thermal/thermal_zone0/temp", "56000")
    state, end = case.run()
    assert verdicts(state, Verdict.INCONCLUSIVE) == {"heat-idle"}
    assert end.disposition is Disposition.HOLD


def test_another_unit_stops_the_run(case: Case) -> None:
    case.write("sys/class/dmi/id/product_serial", "QS-2004182")
    with pytest.raises(WrongUnit, match="QS-2004182"):
        case.run()


# ---- a unit that does not start -------------------------------------------------------------------------

RUNGS = {
    "start-standby": (8.2, 0.4, "port 10, its plug and lead"),
    "start-key": ("rises and stays up", "does not move", "flex cable of the power button"),
    "start-lamp": ("steady", "dark", "does not come out of reset"),
    "start-picture": (1, 0, "the storage module in its socket"),
}
"""Each rung with a good answer, a bad one, and where to look."""


def climbed(case: Case, dead: str | None) -> tuple[RunState, Outcome]:
    case.order = case.order.model_copy(update={"complaint": "Does not start since Tuesday"})
    for rung, (good, bad, _) in RUNGS.items():
        case.answer(rung, bad if rung == dead else good)
    return case.run()


@pytest.mark.parametrize("dead", RUNGS)
def test_a_dead_unit_is_left_at_the_rung_that_failed_with_where_to_look(case: Case, dead: str) -> None:
    state, end = climbed(case, dead)
    assert verdicts(state, Verdict.FAIL) == {dead}
    before = list(RUNGS)[: list(RUNGS).index(dead)]
    assert verdicts(state, Verdict.PASS) == set(before), "nothing else was made"
    assert end.disposition is Disposition.REWORK and RUNGS[dead][2] in end.reason


def test_a_unit_that_starts_again_is_tested_as_usual(case: Case) -> None:
    state, end = climbed(case, None)
    assert end.disposition is Disposition.RELEASE, end.reason
    assert set(RUNGS) <= verdicts(state, Verdict.PASS)


# ---- as a technician types it ---------------------------------------------------------------------------


def command(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "verifier", *words, "--station", str(folder / "station")],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        cwd=folder,
        timeout=120,
    )


def at_a_terminal(folder: Path, until: str, *words: str) -> str:
    """Type a command in a terminal, go on to the next stage, read until a text is there, press Ctrl-C."""
    ours, theirs = os.openpty()
    station = ("--station", str(folder.parent / "station"))
    process = subprocess.Popen(
        [sys.executable, "-m", "verifier", *words, *station],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        cwd=folder,
        env={**os.environ, "COLUMNS": "200", "TERM": "dumb"},
    )
    os.close(theirs)
    seen, gone_on = "", False
    with contextlib.suppress(OSError):  # the process has ended
        while until not in seen and select.select([ours], [], [], 60)[0]:
            seen += os.read(ours, 4096).decode("utf-8", "replace")
            if not gone_on and "Enter to go on" in seen:
                gone_on = os.write(ours, b"\n") == 1
    process.send_signal(signal.SIGINT)
    with contextlib.suppress(OSError):
        while os.read(ours, 4096):
            pass
    assert process.wait(60) == 3, seen
    os.close(ours)
    return seen


def test_pictures_are_found_again_after_resume_elsewhere(tmp_path: Path) -> None:
    """In the right folder, whatever folder the command is typed in; and the record says which ones they were."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    given = ("--answers", str(ANSWERS))
    run = ("run", "marrowby-quayside", "--at", f"recorded:{HEALTHY}", "--repair", str(ORDER), *given)
    paused = command(tmp_path, *run, "--stage", "arrival")
    assert paused.returncode == 3, paused.stderr
    label = tmp_path / "label.toml"
    label.write_text('label = "QS-2004174"\n')
    shown = f"Picture: {FOLDER / 'make-safe.svg'}"
    assert shown in at_a_terminal(elsewhere, shown, "resume", "--stage", "open", "--answers", str(label))
    ended = command(tmp_path, "resume", *given)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "Released" in ended.stdout
    (sealed,) = tmp_path.glob("station/runs/*/sealed*.json")
    payload = json.loads(sealed.read_text("utf-8"))["record"].split(".")[1]
    record = json.loads(base64.urlsafe_b64decode(payload + "=" * (-len(payload) % 4)))
    assert record["suite"]["pictures"] == {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in FOLDER.glob("*.svg")
    }
    (report,) = tmp_path.glob("station/runs/*/report*.html")
    page = report.read_text("utf-8")
    assert "Main board, seven screws" in page and "Edge spacers of the main board" in page


def test_a_fault_sends_the_unit_back_and_the_report_says_where_to_look(tmp_path: Path, case: Case) -> None:
    fell_back(case)
    run = ("run", "marrowby-quayside", "--at", f"recorded:{case.tree}", "--repair", str(ORDER))
    ended = command(tmp_path, *run, "--answers", str(ANSWERS))
    assert ended.returncode == 1
    assert "Port 2 at full speed" in ended.stdout
    (report,) = tmp_path.glob("station/runs/*/report*.html")
    words = re.sub(r"<[^>]+>", " ", report.read_text("utf-8"))
    assert "Port 2, USB-A rear" in words
