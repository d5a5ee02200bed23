"""A check that spans a pause of the run: another process, another start of the computer, killed anywhere."""

from __future__ import annotations

import hashlib
import os
import sys
import tomllib
from collections.abc import AsyncGenerator, Mapping
from pathlib import Path
from typing import Any

import anyio
import pytest

sys.path.insert(0, str(Path(__file__).parent / "probes"))
from kept_clock import NOON, Clock, Unit

from verifier.commands.progress import Lines
from verifier.declare.order import RepairOrder
from verifier.declare.plan import make_plan
from verifier.declare.suite import Suite
from verifier.gather.acts import Wish, act, refuse_bad
from verifier.gather.catalogue import load_catalogue
from verifier.gather.engine import Engine
from verifier.gather.journal import Journal, read
from verifier.gather.prompts.prepared import NobodyAsker
from verifier.gather.prompts.question import Asker, Given, Question
from verifier.gather.state import RunState, begin, replay, to_json
from verifier.gather.virtual_time import backend_options
from verifier.gather.workers import run_probe
from verifier.judge import SuiteJudge
from verifier.readings import Finding, Person, ProbeDeclaration, Reading, SoFar, Stage, Verdict
from verifier.steps import Cue, Step

T07 = Person(name="T07")
SUITE = """schema = 1
model = "marrowby-quayside"
title = "Quayside"
revision = 1
[serial]
label = false
firmware = false
[[checks]]
id = "before"
title = "Before"
probe = "clock.rtc"
[[checks]]
id = "keeps"
title = "Keeps its time"
probe = "clock.retention"
settings = { server = "time.example", holds_up = 40.0 }
limits = [
  { reading = "kept", is = true, source = "invented" },
  { reading = "rate", at_least = -60, at_most = 60, unit = "ppm", source = "invented" },
]
[[checks]]
id = "after"
title = "After"
probe = "clock.rtc"
after = ["keeps"]
"""


class Killed(BaseException):
    """As SIGKILL would: nothing after it happens."""


class Mortal(Journal):
    """Dies when it has written a line of that number."""

    dies_at = 0

    def append(self, kind: str, data: Mapping[str, Any]) -> Any:
        event = super().append(kind, data)
        if event.seq == self.dies_at:
            raise Killed
        return event


class Technician:
    def __init__(self) -> None:
        self.said: list[str] = []

    async def ask(self, question: Question) -> Given:
        self.said.append(question.say)
        return Given(value="30 min", by=T07)

    async def cue(self, title: str, cue: Cue) -> Person:
        self.said.append(cue.say)
        return T07


class InProcess:
    """Runs the probes on the unit in this process."""

    def __init__(self, unit: Unit) -> None:
        self.unit = unit
        self.taken: list[str] = []

    async def take(
        self,
        probe: str,
        settings: Mapping[str, Any],
        host_address: str,
        *,
        declaration: ProbeDeclaration,
        deadline: float,
        so_far: SoFar | None = None,
    ) -> AsyncGenerator[Step]:
        self.taken.append(f"{probe}{' goes on' if so_far else ''}")
        async for step in run_probe(load_catalogue().probe(probe), self.unit, settings, so_far):  # type: ignore[arg-type]
            yield step


class BenchClock:
    """The instruments of a bench with nothing but a clock that is right."""

    def __init__(self, unit: Unit) -> None:
        self.unit = unit

    async def take(
        self, probe: str, settings: Mapping[str, Any], host_address: str, *, declaration: object, deadline: float
    ) -> AsyncGenerator[Step]:
        assert (probe, dict(settings), host_address) == ("instrument.time", {"instrument": "clock"}, "local")
        yield Reading(name="value", value=self.unit.now, unit="s", origin="clock of the bench")


class Run:
    """One run over several sittings, each on another start of the computer, each half an hour after the last."""

    def __init__(self, folder: Path, clock: Clock, *, asker: Asker | None = None, text: str = SUITE) -> None:
        self.path, self.clock, self.sittings = folder / "run" / "journal", clock, 0
        self.asker: Any = asker or Technician()
        self.taken: list[str] = []
        suite = Suite.model_validate(tomllib.loads(text))
        plan = make_plan(suite, text, hashlib.sha256(text.encode()).hexdigest(), RepairOrder())
        with Journal.create(self.path, self.unit().clocks) as journal:
            event = journal.append(
                "begin",
                {
                    "run": "r1", "suite_text": text, "suite_sha256": plan.suite_sha256, "order": {},
                    "at": "local", "role": "self", "station": "bench-1", "technician": to_json(T07),
                    "typed_serial": None, "software": {},
                },
            )  # fmt: skip
        self.state: RunState = begin(event)

    def unit(self) -> Unit:
        """Half an hour on, another boot id, loop clock from nought, system time further and further off."""
        n = self.sittings
        unit = Unit(
            self.clock,
            true=NOON + 1900 * n,
            boot_id=f"boot-{n}",
            up=20.0,
            wall_off=-86_400.0 * 365 * 20 * n % -NOON,
        )
        unit.clocks.boot_id = lambda: unit.boot_id  # type: ignore[method-assign]
        return unit

    def sit(self, dies_at: int = 0, wishes: tuple[Wish, ...] = ()) -> str:
        """Work until it pauses, is done or is killed; which of them."""
        unit, ending = self.unit(), "done"
        self.sittings += 1
        journal, _ = Mortal.reopen(self.path, unit.clocks)
        journal.dies_at = dies_at  # type: ignore[attr-defined]
        self.state = replay(read(self.path).events)
        taker = InProcess(unit)
        engine = Engine(
            state=self.state, journal=journal, judge=SuiteJudge(self.state.plan.suite.decision),
            instruments=BenchClock(unit),
            catalogue=load_catalogue(), taker=taker, asker=self.asker, watcher=Lines(silent=True),
        )  # fmt: skip
        refuse_bad(self.state, list(wishes))

        async def work() -> None:
            for wish in wishes:
                act(engine, wish, T07)
            await engine.run(list(Stage))

        try:
            anyio.run(work, backend_options=backend_options(unit.clocks))
            ending = "paused" if engine.pause else "done"
        except Killed:
            ending = "killed"
        except BaseExceptionGroup as group:
            assert group.subgroup(Killed) is not None, group
            ending = "killed"
        finally:
            journal.close()
        self.taken += taker.taken
        self.state = replay(read(self.path).events)
        return ending

    @property
    def finding(self) -> Finding:
        attempt = self.state.counting("keeps")
        assert attempt is not None and attempt.finding is not None
        return attempt.finding


def test_the_run_pauses_and_goes_on_where_it_stood(tmp_path: Path) -> None:
    run = Run(tmp_path, Clock(ppm=20.0))
    assert run.sit() == "paused"
    assert (
        "Take all power away now" in run.state.meanwhile and "Shut this computer down first" in run.state.meanwhile
    )
    assert "15 min" in run.state.meanwhile  # planned by the limit: half of ± 60 ppm
    assert run.taken == ["clock.rtc", "clock.retention"]
    assert run.sit() == "done"
    assert run.taken[2:] == ["clock.retention goes on", "clock.rtc"]
    assert run.finding.verdict is Verdict.PASS and run.state.meanwhile == ""
    (attempt,) = run.state.attempts["keeps"]
    assert [answer.value for answer in attempt.answers] == ["30 min"]
    assert {"ahead_before", "ahead", "rate"} <= {r.name for r in attempt.takes[0]}


def test_the_plan_is_said_before_anybody_waits_and_not_again_afterwards(tmp_path: Path) -> None:
    run = Run(tmp_path, Clock())
    run.sit()
    run.sit()
    assert [said for said in run.asker.said if "power away" in said.lower() and "±" in said] == run.asker.said[:1]


def test_a_lost_time_fails(tmp_path: Path) -> None:
    run = Run(tmp_path, Clock(lost_at=NOON + 100))
    run.sit()
    run.sit()
    assert run.finding.verdict is Verdict.FAIL


def test_killed_at_each_line_of_the_journal_it_comes_to_the_same(tmp_path: Path) -> None:
    """Around the pause at each line; elsewhere at every fourth, and in the long form at each."""
    whole = Run(tmp_path / "whole", Clock(ppm=20.0))
    whole.sit()
    first = whole.state.lines
    whole.sit()
    around = range(first - 1, first + 4)
    for line in range(2, whole.state.lines + 1):
        if line % 4 and line not in around and not os.environ.get("VERIFIER_LONG"):
            continue
        run = Run(tmp_path / f"killed-{line}", Clock(ppm=20.0))
        if line > first:
            assert run.sit() == "paused"
        assert run.sit(dies_at=line) == "killed"
        once = run.taken.count("clock.retention") if run.state.paused_for("keeps") else None
        endings = [run.sit()]
        while endings[-1] != "done":
            endings.append(run.sit())
            assert len(endings) < 4
        assert run.finding.verdict is Verdict.PASS, (line, run.finding)
        # Once the pause is journalled, the first part is never taken again.
        assert once in (None, run.taken.count("clock.retention"))
        ended = [a for a in run.state.attempts["keeps"] if a.finding is not None]
        assert len(ended) == 1 and all(a.set_aside for a in run.state.attempts["keeps"] if a not in ended)
        names = [r.name for r in ended[0].takes[0]]
        assert len(names) == len(set(names)) and {"ahead_before", "ahead", "rate"} <= set(names)


def test_what_was_interrupted_after_the_pause_stays_visible(tmp_path: Path) -> None:
    run = Run(tmp_path, Clock())
    run.sit()
    before = run.state.attempts["keeps"][0].before_pause
    run.sit(dies_at=run.state.lines + 5)
    run.sit()
    cut, whole = run.state.attempts["keeps"]
    assert cut.set_aside.startswith("interrupted after the pause") and len(cut.takes[0]) > before
    assert whole.takes[0][:before] == cut.takes[0][:before]


def test_without_anybody_there_nothing_is_asked_of_the_power(tmp_path: Path) -> None:
    run = Run(tmp_path, Clock(), asker=NobodyAsker())
    assert run.sit() == "done"
    assert run.finding.verdict is Verdict.NOT_RUN and "needs a technician" in run.finding.reason


def test_taking_it_again_begins_anew_although_it_was_never_finished(tmp_path: Path) -> None:
    run = Run(tmp_path, Clock())
    run.sit()
    assert run.sit(wishes=(Wish(kind="again", subject="keeps", why="the cell was not in"),)) == "paused"
    assert run.taken.count("clock.retention") == 2
    assert run.sit() == "done" and run.finding.verdict is Verdict.PASS
    assert [a.set_aside for a in run.state.attempts["keeps"]] == ["taken again: the cell was not in", ""]


def test_a_clock_of_the_bench_is_consulted_at_both_ends(tmp_path: Path) -> None:
    by_clock = SUITE.replace('server = "time.example"', 'reference = "instrument", instrument = "clock"')
    run = Run(tmp_path, Clock(ppm=20.0), text=by_clock)
    assert run.sit() == "paused" and run.sit() == "done"
    assert run.finding.verdict is Verdict.PASS
    assert readings(run)["ahead"].origin.endswith("against clock of the bench")


def readings(run: Run) -> dict[str, Reading]:
    return {r.name: r for take in run.state.attempts["keeps"][-1].takes for r in take}


def test_the_journal_needs_no_wall_clock(tmp_path: Path) -> None:
    """Wall times in it run backwards by decades; the elapsed time is the reference's."""
    run = Run(tmp_path, Clock())
    run.sit()
    run.sit()
    assert run.state.last.wall < run.state.began.wall
    assert readings(run)["elapsed"].value == pytest.approx(1900, abs=5)
