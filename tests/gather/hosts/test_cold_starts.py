"""Cycles with a unit that really goes away: a real OpenSSH server and a logger on a pty, switched off and on.

Whole runs by `flow`, paused and taken up again in the middle. asyncssh runs on asyncio only, as runs do.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from verifier import flow
from verifier.commands.progress import Lines
from verifier.declare.lint import load_suite
from verifier.declare.order import RepairOrder
from verifier.declare.plan import make_plan
from verifier.gather.catalogue import load_catalogue
from verifier.gather.hosts import access
from verifier.gather.hosts.host_keys import ensure_pinned
from verifier.gather.journal import read
from verifier.gather.prompts.question import Given, Question
from verifier.gather.prompts.terminal import PauseWanted
from verifier.gather.session import Sitting
from verifier.readings import Person, Verdict
from verifier.seal import read_sealed
from verifier.steps import Cue
from verifier.store.station import Station

sys.path.insert(0, str(Path(__file__).parent))
from orlop import Orlop
from ssh_unit import SshUnit

T07 = Person(name="T07")
HEAD = 'schema = 1\nmodel = "marrowby-gangway"\ntitle = "Tablet"\nrevision = 1\n'


@dataclass
class Hands:
    """A technician who does what is asked to the unit, or has had enough."""

    cold_start: Callable[[], None]
    pause_at: int = 0
    """The cue at which to pause instead, counted from 1."""
    asked: list[str] = field(default_factory=list)

    async def ask(self, question: Question) -> Given:
        raise AssertionError(question.say)

    async def cue(self, title: str, cue: Cue) -> Person:
        self.asked.append(f"{title}: {cue.say}")
        if len(self.asked) == self.pause_at:
            raise PauseWanted
        self.cold_start()
        return T07


def sitting(hands: Hands) -> Sitting:
    async def person() -> Person:
        return T07

    return Sitting(asker_for=lambda _: hands, watcher=Lines(silent=True), person=person)


def begin(folder: Path, text: str, at: str) -> flow.Running:
    (folder / "suite.toml").write_text(HEAD + text, "utf-8")
    loaded = load_suite(folder / "suite.toml", load_catalogue())
    plan = make_plan(loaded.suite, loaded.text, loaded.sha256, RepairOrder())
    return flow.begin(Station.at(folder / "station"), plan, at=at, technician=T07)


def test_over_ssh_the_unit_is_reached_again_and_a_pause_takes_nothing_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(access, "TRY_AGAIN", 0.1)
    text = """
[serial]
label = false
firmware = false
[[checks]]
id = "memory"
title = "All memory is there after every cold start"
probe = "memory.size"
cycles = { times = 4, between = "Switch off and on" }
limits = [{ reading = "total", at_least = 1, unit = "MiBy", source = "invented" }]
"""
    with SshUnit(tmp_path / "unit") as unit:

        def cold_start() -> None:
            unit.stop()
            later = threading.Timer(0.3, unit.start)  # as a unit that is still starting when Enter is pressed
            later.start()

        (tmp_path / "station").mkdir()
        running = begin(tmp_path, text, unit.address)
        unit.let_in(flow.ssh_folder(running.station))
        ensure_pinned(flow.ssh_folder(running.station), unit.address, given=unit.fingerprint)
        hands = Hands(cold_start, pause_at=2)
        ended = flow.carry_on(running, sitting(hands), resumed=False)
        running.journal.close()
        assert ended.exit_code == 3
        running = flow.reopen(running.station, None)
        later = Hands(cold_start)
        ended = flow.carry_on(running, sitting(later), resumed=True)
        running.journal.close()
    assert ended.exit_code == 0 and ended.sealed is not None
    assert [words.splitlines()[-1] for words in (*hands.asked, *later.asked)] == [
        "All memory is there after every cold start: cycle 2 of 4: Switch off and on",
        "All memory is there after every cold start: cycle 3 of 4: Switch off and on",
        "Switch off and on",  # asked again after the pause, as it may have been done or not
        "All memory is there after every cold start: cycle 4 of 4: Switch off and on",
    ]
    kinds = [event.kind for event in read(running.journal.path).events]
    assert kinds.count("cycle-ended") == 4 and kinds.count("check-began") == 1
    (check,) = ended.sealed.record.checks
    assert check.counting is not None and len(check.counting.takes) == 4
    assert [c.number for c in check.counting.cycles] == [1, 2, 3, 4]
    assert check.finding is not None and check.finding.rate is not None
    (kept,) = read_sealed(running.sealed_file).record.checks
    assert kept.counting is not None and kept.counting.cycles == check.counting.cycles


def test_over_a_serial_console_the_unit_is_brought_to_rest_before_it_is_switched_off(tmp_path: Path) -> None:
    text = """
[console]
wait = "0.3 s"
safe = ["RLY 1,0"]
[serial]
label = false
firmware = false
[[checks]]
id = "clock"
title = "Identity after every cold start"
probe = "console.query"
settings = { send = "ID?", reply = "MARROWBY,ORLOP,{number},{level}" }
cycles = { times = 3, between = "Switch off and on" }
limits = [{ reading = "level", equals = "2.7", source = "invented" }]
"""
    with Orlop() as logger:
        before: list[str] = []
        times = iter((0.9, 0.0, 0.0))

        def cold_start() -> None:
            before.append(logger.heard[-1])
            on_at = time.monotonic() + next(times)  # the first time Enter came too early
            logger.answer = lambda _: b"" if time.monotonic() < on_at else None

        (tmp_path / "station").mkdir()
        running = begin(tmp_path, text, f"serial:{logger.port}")
        hands = Hands(cold_start)
        ended = flow.carry_on(running, sitting(hands), resumed=False)
        running.journal.close()
    assert before == ["RLY 1,0"] * 3
    assert ended.sealed is not None and ended.exit_code == 0
    (check,) = ended.sealed.record.checks
    assert check.counting is not None
    assert [(c.number, c.finding and c.finding.verdict) for c in check.counting.cycles] == [
        (1, Verdict.PASS),
        (2, Verdict.BENCH_ERROR),
        (2, Verdict.PASS),
        (3, Verdict.PASS),
    ]
