"""The shipped suite of the Orlop, run wholly over a serial console: a simulated logger on a pty."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from verifier.declare.coverage import by_eye_only, disturbed_joints
from verifier.declare.lint import load_suite
from verifier.gather.catalogue import load_catalogue
from verifier.seal import read_sealed
from verifier.shipped import find_suite

sys.path.insert(0, str(Path(__file__).parents[1] / "gather/hosts"))
from orlop import Orlop

HERE = Path(__file__).parent
RUNGS = ("start-current", "start-lamp", "start-console")


@dataclass
class Bench:
    station: Path
    logger: Orlop

    def type(self, *arguments: str) -> tuple[int, dict[str, Any], str]:
        """Exit code, what was printed as JSON, and what was said on standard error."""
        done = subprocess.run(
            [sys.executable, "-m", "verifier", *arguments, "--station", str(self.station), "--json"],
            capture_output=True,
            text=True,
            timeout=120,
        )
        return done.returncode, json.loads(done.stdout) if done.stdout else {}, done.stderr

    def run(
        self, *more: str, part: str = "main-board", suite: str = "marrowby-orlop"
    ) -> tuple[int, dict[str, Any], str]:
        answers = str(HERE / "orlop-answers.toml")
        at = f"serial:{self.logger.port}"
        return self.type("run", suite, "--at", at, "--replaced", part, "--answers", answers, *more)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Orlop() as logger:
        yield Bench(tmp_path / "station", logger)


def verdicts(told: dict[str, Any]) -> dict[str, str]:
    return {name: check["verdict"] for name, check in told["checks"].items() if check["verdict"] != "pass"}


def test_every_joint_of_every_part_is_covered_by_something_better_than_a_yes() -> None:
    suite = load_suite(find_suite("marrowby-orlop"), load_catalogue()).suite
    assert set(disturbed_joints(suite, suite.parts)) == set(suite.joints)
    covered = {joint for check in suite.checks for joint in check.covers}
    assert covered == set(suite.joints)
    seen = {joint for check in suite.checks if not by_eye_only(check) for joint in check.covers}
    assert seen == covered


def test_healthy_logger_is_released_and_left_at_rest(bench: Bench) -> None:
    code, told, said = bench.run()
    assert code == 0, (told, said)
    # Taken and never judged; and the rungs of a ladder that nobody called for.
    # The clock by its stand-ins, since nobody is there to pull the plug.
    assert set(verdicts(told)) == {"lamp-on", "cable-to-b", "clock-keeps", *RUNGS}
    record = read_sealed(Path(told["record"])).record
    assert record.role == "station" and record.host.address == f"serial:{bench.logger.port}"
    assert record.unit.serial == "OR-10423"
    by_id = {check.id: check.attempts[-1] for check in record.checks}
    readings = {r.name: r for r in by_id["input-5"].takes[0]}
    assert (readings["current"].value, readings["current"].origin) == (12.0, "console: IN? 5")
    assert by_id["input-5"].host == record.host.address and by_id["lamp"].host == ""
    assert not any(bench.logger.relays.values()) and not bench.logger.lamp
    assert bench.logger.heard[-1] == "LMP 0"


def relay_stuck(logger: Orlop) -> None:
    logger.stuck.add(2)


def off_scale(logger: Orlop) -> None:
    logger.offset[5] = 9.5


def refuses(logger: Orlop) -> None:
    logger.answer = lambda command: b"ERR 7 input off scale\r\n" if command == "IN? 3" else None


def garbage(logger: Orlop) -> None:
    logger.answer = lambda command: b"\xfe\x7f\x00\r\n" if command == "IN? 8" else None


def cell_out(logger: Orlop) -> None:
    logger.behind = 20 * 365 * 86_400


FAULTS: dict[str, tuple[Callable[[Orlop], None], dict[str, str], int]] = {
    "a relay that says OK and stays open": (relay_stuck, {"input-2": "fail", "input-6": "fail"}, 1),
    "an input far too high": (off_scale, {"input-5": "fail"}, 1),
    "a command refused": (
        refuses,
        {"relay-3-opens": "bench-error", "input-3": "not-run", "input-7": "not-run"},
        1,
    ),
    "garbage from one input": (garbage, {"input-8": "bench-error"}, 1),
    "a clock that forgot the time": (cell_out, {"clock": "fail", "port-b": "not-run"}, 1),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_seen_where_it_is_and_nowhere_else(bench: Bench, fault: str) -> None:
    inject, expected, exit_code = FAULTS[fault]
    inject(bench.logger)
    code, told, said = bench.run()
    assert code == exit_code, said
    found = {name: verdict for name, verdict in verdicts(told).items() if verdict is not None}
    # What comes after a check that did not pass is not run, nor is the ladder; the rest passes.
    assert {name: v for name, v in found.items() if v != "not-run" or name in expected} == expected
    assert told["disposition"] == ("rework" if "fail" in expected.values() else "hold")
    assert not any(bench.logger.relays.values())


@pytest.mark.parametrize("lamp", ["blinks three times", "blinks on and on"])
def test_a_logger_that_does_not_start_climbs_the_ladder(bench: Bench, tmp_path: Path, lamp: str) -> None:
    order, answers = tmp_path / "order.toml", tmp_path / "answers.toml"
    order.write_text('complaint = "Does not start."\n[[replaced]]\npart = "main-board"\n')
    rungs = f'[start-current]\nvalue = 84\nby = "T04"\n[start-lamp]\nvalue = "{lamp}"\nby = "T04"\n'
    answers.write_text((HERE / "orlop-answers.toml").read_text() + rungs)
    given = ("--at", f"serial:{bench.logger.port}", "--repair", str(order), "--answers", str(answers))
    code, told, said = bench.type("run", "marrowby-orlop", *given)
    if lamp == "blinks three times":
        assert code == 0, (told, said)
        assert set(verdicts(told)) == {"lamp-on", "cable-to-b", "clock-keeps"}
    else:
        assert code == 1 and told["disposition"] == "rework"
        assert "Look at the main board: it draws current" in told["reason"]
        assert {name for name in verdicts(told) if verdicts(told)[name] == "fail"} == {"start-lamp"}
        assert told["checks"]["input-1"]["verdict"] == "not-run"
        assert not [c for c in bench.logger.heard if c.startswith(("IN?", "RLY 1,1"))], "nothing else was made"


def test_another_unit_than_the_label_says_stops_the_run(bench: Bench) -> None:
    bench.logger.serial = "OR-10424"
    code, _, said = bench.run()
    assert code == 2
    assert "the scanned label says OR-10423" in said and "the firmware says OR-10424" in said


def test_silent_console_is_the_benchs_fault_and_holds_the_unit(bench: Bench, tmp_path: Path) -> None:
    """With less patience than the suite has, so that the test is over sooner."""
    hasty = tmp_path / "hasty.toml"
    hasty.write_text(find_suite("marrowby-orlop").read_text().replace('wait = "2 s"', 'wait = "300 ms"'))
    bench.logger.answer = lambda command: b""
    code, told, _ = bench.run(part="front-foil", suite=str(hasty))
    assert code == 1 and told["checks"]["identity"]["verdict"] == "bench-error"
    assert "did not answer “ID?” within 0.3 s" in told["checks"]["identity"]["reason"]


def test_nothing_is_written_where_the_port_or_the_console_is_not_there(bench: Bench, tmp_path: Path) -> None:
    code, _, said = bench.type("run", "this-computer", "--at", f"serial:{bench.logger.port}")
    assert code == 2 and "describes no serial console" in said
    code, _, said = bench.type("run", "marrowby-orlop", "--at", "serial:ttyUSB0")
    assert code == 2 and "is no serial port" in said
    assert not (bench.station / "runs").exists()


def test_adapter_lost_in_the_middle(bench: Bench) -> None:
    """The port is gone for the rest of the run; every check that asks says so, and nothing hangs."""
    logger = bench.logger
    # The end of the port, when the third input is asked.
    logger.answer = lambda command: os.close(logger._master) if command == "IN? 3" else None  # type: ignore[func-returns-value]
    code, told, _ = bench.run()
    assert code == 1
    reasons = {
        name: check["reason"] for name, check in told["checks"].items() if check["verdict"] == "bench-error"
    }
    assert reasons and all("was lost" in reason or "opened again" in reason for reason in reasons.values())
