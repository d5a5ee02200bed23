"""The engine: order, overlap, prerequisites, stages, resume. On asyncio, trio and in virtual time alike."""

from __future__ import annotations

from collections.abc import AsyncGenerator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import anyio
import pytest
from engine_bench import BACKENDS, HEAD, T07, Bench, Run, probe, prompt, run_on

from verifier.declare.order import RepairOrder, Replaced
from verifier.declare.suite import Check
from verifier.errors import Absent, BenchFault, InputError, NotPossible, VerifierError, WrongUnit
from verifier.gather.acts import Wish, act, refuse_bad
from verifier.gather.clocks import RealClocks
from verifier.gather.journal import Journal, read
from verifier.gather.prompts.question import Given, Question
from verifier.gather.state import replay, to_json
from verifier.readings import Finding, Person, Reading, Stage, Verdict
from verifier.steps import Cue


@pytest.fixture(params=BACKENDS)
def backend(request: pytest.FixtureRequest) -> Iterator[str]:
    yield request.param


def test_independent_checks_overlap_and_dependent_ones_wait(tmp_path: Path, backend: str) -> None:
    bench = Bench()
    run = Run(tmp_path, HEAD + probe("a") + probe("b") + probe("c", 'after = ["a", "b"]'), bench)
    run.go(backend)
    assert bench.most_running == 2
    assert bench.log.index("start c") > max(bench.log.index("pass a"), bench.log.index("pass b"))


def test_checks_that_need_the_same_thing_do_not_overlap(tmp_path: Path, backend: str) -> None:
    bench = Bench()
    run = Run(tmp_path, HEAD + probe("a", 'needs = ["meter"]') + probe("b", 'needs = ["meter"]'), bench)
    run.go(backend)
    assert bench.most_running == 1
    assert run.verdict("b") is Verdict.PASS


def test_one_prompt_at_a_time_while_probes_go_on(tmp_path: Path, backend: str) -> None:
    bench = Bench(answers={"p": True, "q": True})
    run = Run(tmp_path, HEAD + prompt("p") + prompt("q") + probe("a"), bench)
    run.go(backend)
    assert bench.most_asking == 1
    assert bench.log.index("start a") < bench.log.index("ask q"), "the probe did not wait for the prompts"


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.0, "comes after “a”, which failed"),
        (BenchFault("the probe crashed"), "comes after “a”, which met a bench error"),
        (NotPossible("needs root"), "comes after “a”, which was not run"),
    ],
)
def test_what_comes_after_a_check_that_did_not_pass_is_not_run(tmp_path: Path, value: object, words: str) -> None:
    bench = Bench(values={"a": value})
    run = Run(tmp_path, HEAD + probe("a") + probe("b", 'after = ["a"]') + probe("c", 'after = ["b"]'), bench)
    run.go()
    assert run.verdict("b") is Verdict.NOT_RUN
    assert run.reason("b") == words
    assert run.reason("c") == "comes after “b”, which was not run"
    assert "start b" not in bench.log


@pytest.mark.parametrize("value", [1.0, 0.0, BenchFault("the probe crashed"), NotPossible("needs root")])
def test_what_waits_until_a_check_is_over_is_taken_whatever_came_out(tmp_path: Path, value: object) -> None:
    bench = Bench(values={"b": value})
    run = Run(tmp_path, HEAD + probe("a", 'once_done = ["b"]') + probe("b"), bench)
    run.go()
    assert run.verdict("a") is Verdict.PASS
    told = [e.data["check"] for e in read(run.path).events if e.kind in ("check-began", "finding")]
    assert told == ["b", "b", "a", "a"]


def test_absent_hardware_fails_unless_the_suite_says_not_fitted(tmp_path: Path) -> None:
    gone = Absent("no such port")
    bench = Bench(values={"a": gone, "b": gone})
    text = HEAD + probe("a") + probe("b", 'if_absent = "not-fitted"')
    text += probe("c", 'after = ["b"]', 'if_absent = "not-fitted"') + probe("d", 'after = ["b"]')
    run = Run(tmp_path, text, bench)
    run.go()
    assert run.verdict("a") is Verdict.FAIL
    b, c, d = (run.state.counting(x).finding for x in "bcd")  # type: ignore[union-attr]
    assert b is not None and b.not_fitted and b.verdict is Verdict.NOT_RUN
    assert c is not None and c.not_fitted, "what follows an unfitted part and may be unfitted is unfitted too"
    assert d is not None and not d.not_fitted


@pytest.mark.parametrize("kind", [NotPossible, BenchFault, Absent])
def test_what_kept_a_check_from_being_taken_says_what_to_do_next(
    tmp_path: Path, kind: type[VerifierError]
) -> None:
    run = Run(tmp_path, HEAD + probe("a"), Bench(values={"a": kind("no stick", to_do="Plug one in.")}))
    run.go()
    run.reopen()
    attempt = run.state.counting("a")
    assert attempt is not None and attempt.finding is not None
    assert (attempt.finding.reason, attempt.finding.to_do) == ("no stick", "Plug one in.")


def test_hardware_that_goes_away_between_repeats_fails_even_where_it_may_be_unfitted(tmp_path: Path) -> None:
    bench = Bench(values={"a": [1.0, Absent("no such port")]})
    run = Run(tmp_path, HEAD + probe("a", 'if_absent = "not-fitted"', "repeat = { times = 3 }"), bench)
    run.go()
    assert run.verdict("a") is Verdict.FAIL
    assert "was there at first" in run.reason("a")


def test_repeats_take_the_stated_number_of_readings(tmp_path: Path, backend: str) -> None:
    run = Run(tmp_path, HEAD + probe("a", 'repeat = { times = 3, pool = "median" }'), Bench())
    run.go(backend)
    attempt = run.state.counting("a")
    assert attempt is not None
    assert [len(take) for take in attempt.takes] == [1, 1, 1]


def test_stages_follow_each_other(tmp_path: Path, backend: str) -> None:
    bench = Bench(answers={"eye": True, "seal": True})
    text = HEAD + prompt("seal", 'stage = "finished"') + probe("a") + prompt("eye", 'stage = "open"')
    run = Run(tmp_path, text, bench)
    run.go(backend)
    order = [line for line in bench.log if line.startswith("stage")]
    assert order == ["stage open", "stage closed", "stage finished"]
    assert bench.log.index("pass eye") < bench.log.index("start a")


def test_an_open_prompt_answered_after_closing_is_marked_from_memory(tmp_path: Path) -> None:
    bench = Bench(answers={"eye": True})
    run = Run(tmp_path, HEAD + prompt("eye", 'stage = "open"') + probe("a"), bench)
    run.go("asyncio", Stage.CLOSED)
    run.reopen()
    run.go("asyncio", Stage.OPEN)
    attempt = run.state.counting("eye")
    assert attempt is not None and attempt.answers[0].from_memory


PARTS = """
[parts.rear-cover]
title = "Rear cover"
joints = ["gasket"]
[parts.radio]
title = "Radio module"
reached_through = ["rear-cover"]
joints = ["antenna"]
[joints.gasket]
title = "Gasket"
[joints.antenna]
title = "Antenna"
[joints.stand]
title = "Stand"
"""


def test_reopening_asks_again_what_makes_ready_and_the_steps_that_follow(tmp_path: Path) -> None:
    """An act at the unit that is open again begins with "unplugged, earthed, cool", and its screws are out."""
    bench = Bench(answers=dict.fromkeys(("cool", "plug", "turned", "plugs"), True))
    text = HEAD + PARTS + prompt("cool", 'stage = "open"') + probe("cell", 'stage = "open"', 'after = ["cool"]')
    text += prompt("plug", 'stage = "open"', 'covers = ["antenna"]')
    text += probe("screws", 'stage = "open"', 'after = ["plug"]')
    text += prompt("turned") + prompt("plugs") + probe("link", 'after = ["plugs"]')
    text += probe("signal", 'after = ["link"]', 'covers = ["antenna"]')
    run = Run(tmp_path, text, bench)
    run.go()
    act(run.engine, Wish(kind="reopen", subject="radio", why="lead trapped"), T07)
    assert [c.id for c in run.state.pending()] == ["cool", "plug", "screws", "plugs", "signal"]


def test_reopening_a_part_voids_the_findings_on_what_it_disturbs_and_no_others(tmp_path: Path) -> None:
    bench = Bench(answers={"eye": True, "cover": True})
    text = HEAD + PARTS + prompt("eye", 'stage = "open"', 'covers = ["antenna"]')
    text += probe("signal", 'covers = ["antenna"]') + probe("stand", 'covers = ["stand"]')
    text += prompt("cover", 'stage = "finished"', 'covers = ["gasket"]') + probe(
        "in", 'stage = "arrival"', 'covers = ["antenna"]'
    )
    run = Run(tmp_path, text, bench)
    run.go()
    act(run.engine, Wish(kind="reopen", subject="radio", why="lead trapped"), T07)
    assert [c.id for c in run.state.pending()] == ["eye", "signal", "cover"]
    run.reopen()
    bench.log.clear()
    run.go()
    assert "ask eye" in bench.log, "open again: the answer is no memory"
    assert len(run.state.attempts["signal"]) == 2
    assert run.state.attempts["signal"][0].set_aside == "“Radio module” was reopened: lead trapped"


def test_a_correction_keeps_the_first_answer_visible(tmp_path: Path) -> None:
    bench = Bench(answers={"p": False})
    run = Run(tmp_path, HEAD + prompt("p"), bench)
    run.go()
    assert run.verdict("p") is Verdict.FAIL
    act(run.engine, Wish(kind="correct", subject="p", value="yes", why="hit the wrong key"), T07)
    run.reopen()
    first, second = run.state.attempts["p"]
    assert first.answers[0].value is False and first.set_aside == "corrected: hit the wrong key"
    assert second.answers[0].value is True and run.verdict("p") is Verdict.PASS
    assert run.state.acts[0].by == T07


def test_what_was_not_run_because_of_a_fail_is_taken_when_that_is_taken_again(tmp_path: Path) -> None:
    bench = Bench(values={"a": [0.0, 1.0]})
    run = Run(tmp_path, HEAD + probe("a") + probe("b", 'after = ["a"]') + probe("c", 'after = ["b"]'), bench)
    run.go()
    assert run.verdict("c") is Verdict.NOT_RUN
    act(run.engine, Wish(kind="again", subject="a", why="plug reseated"), T07)
    run.go()
    assert [run.verdict(x) for x in "abc"] == [Verdict.PASS] * 3


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (Wish(kind="again", subject="pp", why="x"), "Did you mean p?"),
        (Wish(kind="correct", subject="a", value="1", why="x"), "take it again with --again a"),
        (Wish(kind="correct", subject="p", value="maybe", why="x"), "Type yes or no"),
        (Wish(kind="reopen", subject="lid", why="x"), "no part 'lid'"),
        (Wish(kind="waive", subject="lid", why="x"), "no joint 'lid'"),
        (Wish(kind="again", subject="p", why=" "), "needs a reason"),
    ],
)
def test_an_act_that_makes_no_sense_is_refused_before_anything_is_done(
    tmp_path: Path, wish: Wish, words: str
) -> None:
    run = Run(tmp_path, HEAD + prompt("p") + probe("a"), Bench(answers={"p": True}))
    run.go()
    with pytest.raises(InputError) as error:
        refuse_bad(run.state, [wish])
    assert words in str(error.value)


def test_resume_never_repeats_a_finished_check(tmp_path: Path, backend: str) -> None:
    bench = Bench()
    run = Run(tmp_path, HEAD + probe("a") + probe("b", 'after = ["a"]'), bench)

    async def killed_after_a() -> None:
        with anyio.CancelScope() as scope:
            bench.values["b"] = None
            original = bench.ended

            def ended(check: Check, finding: Finding) -> None:
                original(check, finding)
                scope.cancel()

            bench.ended = ended  # type: ignore[method-assign]
            await run.engine.run(list(Stage))

    run_on(backend, killed_after_a)
    del bench.ended
    bench.values.clear()
    run.reopen()
    bench.log.clear()
    run.go(backend)
    assert "start a" not in bench.log
    assert run.verdict("b") is Verdict.PASS


def test_an_unfinished_check_is_taken_again_and_its_earlier_readings_stay_visible(tmp_path: Path) -> None:
    bench = Bench()
    run = Run(tmp_path, HEAD + probe("a", "repeat = { times = 3 }"), bench)
    engine = run.engine
    engine.append("check-began", {"check": "a", "stage": "closed", "host": "local"})
    engine.append(
        "reading", {"check": "a", "take": 0, "reading": to_json(Reading(name="value", value=7.0, unit="1"))}
    )
    run.reopen()
    run.go()
    first, second = run.state.attempts["a"]
    assert first.set_aside == "interrupted before it was finished"
    assert first.takes[0][0].value == 7.0
    assert len(second.takes) == 3


def test_an_answer_given_before_a_kill_is_judged_and_not_asked_again(tmp_path: Path) -> None:
    bench = Bench(answers={"p": True})
    run = Run(tmp_path, HEAD + prompt("p"), bench)
    run.go()
    run.journal.close()
    lines = run.path.read_bytes().splitlines(keepends=True)
    assert b'"kind":"finding"' in lines[-1]
    run.path.write_bytes(b"".join(lines[:-1]))
    run.journal, _ = Journal.reopen(run.path, RealClocks())
    run.state = replay(read(run.path).events)
    bench.log.clear()
    run.go()
    assert "ask p" not in bench.log
    assert run.verdict("p") is Verdict.PASS


def test_the_journal_alone_gives_the_state_back(tmp_path: Path) -> None:
    bench = Bench(answers={"p": True}, values={"b": Absent("gone")})
    run = Run(tmp_path, HEAD + PARTS + prompt("p", 'covers = ["stand"]') + probe("a") + probe("b"), bench)
    run.go()
    act(run.engine, Wish(kind="waive", subject="gasket", why="not touched"), T07)
    before = run.state
    run.reopen()
    assert run.state == before


@pytest.mark.parametrize(
    ("order", "typed", "firmware", "agrees"),
    [
        ("QS-2004174", None, "QS-2004174", True),
        (None, None, "QS-2004174", True),
        ("QS-2004174", "QS-2004174", Absent("none"), True),
        ("QS-2004174", None, "QS-2004182", False),
        ("QS-2004174", "QS-2004182", Absent("none"), False),
        (None, "QS-2004175", Absent("none"), False),
    ],
)
def test_serial_numbers_that_exist_must_agree(
    tmp_path: Path, order: str | None, typed: str | None, firmware: object, agrees: bool
) -> None:
    head = HEAD.replace("firmware = false", 'pattern = "QS-[0-9]{7}"\ncheck_digit = "luhn"')
    bench = Bench(values={"identity": firmware})
    run = Run(tmp_path, head + probe("a"), bench, RepairOrder(serial=order), typed)
    if agrees:
        anyio.run(run.engine.identify)
        missing = [s.source for s in run.state.serials if s.value is None]
        assert all(s.note for s in run.state.serials if s.value is None), "each missing one says why"
        assert ("firmware" in missing) == isinstance(firmware, Absent)
    else:
        with pytest.raises(WrongUnit):
            anyio.run(run.engine.identify)
        run.reopen()
        assert run.state.interruptions[-1].kind == "stopped"


def test_another_unit_at_resume_stops_the_run(tmp_path: Path) -> None:
    head = HEAD.replace("firmware = false\n", "")
    bench = Bench(values={"identity": "QS-2004174"})
    run = Run(tmp_path, head + probe("a"), bench)
    anyio.run(run.engine.identify)
    bench.values["identity"] = "QS-2004182"
    run.reopen()
    with pytest.raises(WrongUnit, match="the firmware says QS-2004182; this run so far says QS-2004174"):
        anyio.run(run.engine.identify)


def test_the_parts_replaced_say_what_is_disturbed(tmp_path: Path) -> None:
    order = RepairOrder(replaced=(Replaced(part="radio"),))
    run = Run(tmp_path, HEAD + PARTS + probe("a"), Bench(), order)
    assert run.state.plan.disturbed == ("gasket", "antenna")


def test_after_a_wrong_unit_the_right_one_can_go_on(tmp_path: Path) -> None:
    bench = Bench(values={"identity": "QS-2004182"})
    run = Run(
        tmp_path, HEAD.replace("firmware = false\n", "") + probe("a"), bench, RepairOrder(serial="QS-2004174")
    )
    with pytest.raises(WrongUnit):
        anyio.run(run.engine.identify)
    bench.values["identity"] = "QS-2004174"
    run.reopen()
    anyio.run(run.engine.identify)
    assert run.state.serial == "QS-2004174"
    assert [s.value for s in run.state.serials if s.source == "firmware"] == ["QS-2004182", "QS-2004174"]


@dataclass
class Turns(Bench):
    """A bench on which checks end in a stated order, however busy the machine is that runs the test."""

    order: Sequence[str] = ()
    done: set[str] = field(default_factory=set)

    async def its_turn(self, name: str) -> None:
        before = self.order[: self.order.index(name)]
        while not self.done.issuperset(before):
            await anyio.sleep(0.002)

    async def take(
        self, probe: str, settings: Mapping[str, Any], *more: Any, **named: Any
    ) -> AsyncGenerator[Reading]:
        await self.its_turn(settings["name"])
        async for reading in super().take(probe, settings, *more, **named):
            yield reading

    async def ask(self, question: Question) -> Given:
        await self.its_turn(question.check)
        return await super().ask(question)

    def ended(self, check: Check, finding: Finding) -> None:
        super().ended(check, finding)
        self.done.add(check.id)


def test_the_log_is_the_same_on_asyncio_trio_and_in_virtual_time(tmp_path: Path) -> None:
    text = HEAD + prompt("eye", 'stage = "open"') + probe("a") + probe("b", 'after = ["a"]', 'needs = ["meter"]')
    text += probe("c", 'needs = ["meter"]', "repeat = { times = 3 }") + prompt("p") + prompt("q", 'after = ["c"]')
    text += probe("d", 'after = ["b"]') + probe("e", 'if_absent = "not-fitted"') + probe("f", 'after = ["e"]')
    text += (
        probe("g", 'timeout = "10 h"') + probe("h", 'after = ["p", "a"]') + prompt("seal", 'stage = "finished"')
    )
    logs = {}
    for backend in BACKENDS:
        bench = Turns(
            answers={"eye": True, "p": True, "seal": True},
            values={"b": 0.0, "e": Absent("no such port"), "g": BenchFault("the probe crashed")},
            seconds=0.001,
            order=["eye", "e", "p", "c", "g", "a", "q", "b", "h", "seal"],
        )
        run = Run(tmp_path / backend, text, bench)
        run.go(backend)
        logs[backend] = [(event.kind, event.data) for event in read(run.path).events]
    assert len(logs["asyncio"]) >= 40
    verdicts = {data["check"]: data["finding"]["verdict"] for kind, data in logs["asyncio"] if kind == "finding"}
    assert set(verdicts.values()) == {"pass", "fail", "not-run", "bench-error"}
    assert logs["virtual"] == logs["asyncio"] == logs["trio"]


@dataclass
class Cued(Bench):
    """A bench with a probe that has the technician act."""

    there: bool = True

    async def take(
        self, probe: str, settings: Mapping[str, Any], *more: Any, **named: Any
    ) -> AsyncGenerator[Reading | Cue]:
        if probe == "button":
            yield Cue(say="Ready?", wait=True)
            yield Cue(say="Press")
        async for reading in super().take(probe, settings, *more, **named):
            yield reading

    async def cue(self, title: str, cue: Cue) -> Person:
        if not self.there:
            raise NotPossible("nobody is there")
        self.log.append(f"cue {cue.say}")
        self.asking += 1
        self.most_asking = max(self.most_asking, self.asking)
        await anyio.sleep(self.seconds)
        self.asking -= 1
        return T07


def button(name: str, *more: str) -> str:
    return probe(name, *more).replace('probe = "port"', 'probe = "button"')


@pytest.mark.parametrize("backend", BACKENDS)
def test_a_probe_that_gives_cues_has_the_technician_to_itself(tmp_path: Path, backend: str) -> None:
    bench = Cued(answers={"p": True, "q": True})
    run = Run(tmp_path, HEAD + prompt("p") + button("b") + button("c") + prompt("q"), bench)
    run.go(backend)
    assert [run.verdict(c) for c in ("p", "b", "c", "q")] == [Verdict.PASS] * 4
    assert bench.most_asking == 1
    assert bench.log.index("end b") < bench.log.index("ask q") or bench.log.index("ask q") < bench.log.index(
        "start b"
    )
    assert bench.log.count("cue Press") == 2
    said = [event.data for event in read(run.path).events if event.kind == "cue"]
    assert said[:2] == [{"check": "b", "say": "Ready?"}, {"check": "b", "say": "Press"}]
    run.reopen()  # a journal with cues is one that this version writes
    assert run.verdict("b") is Verdict.PASS


def test_without_a_technician_what_needs_one_is_not_run(tmp_path: Path) -> None:
    run = Run(tmp_path, HEAD + button("b") + probe("a"), Cued(there=False))
    run.go()
    assert run.verdict("b") is Verdict.NOT_RUN and run.reason("b") == "nobody is there"
    assert run.verdict("a") is Verdict.PASS
