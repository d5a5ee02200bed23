"""Quarantine: one fail ends everything, makes everything safe and holds the unit, whatever is done afterwards."""

from __future__ import annotations

from pathlib import Path

import pytest
from engine_bench import BACKENDS, HEAD, T07, Bench, Run, probe, prompt

from verifier.errors import InputError
from verifier.gather.acts import Wish, act, refuse_bad
from verifier.gather.journal import read
from verifier.gather.prompts.question import Given
from verifier.judge import outcome
from verifier.readings import Disposition, Stage, Verdict

INSPECT = 'on_fail = "quarantine"'
PARTS = '[parts.back]\ntitle = "Back"\njoints = ["seal"]\n[joints.seal]\ntitle = "Seal"\n'


def suite() -> str:
    text = (
        HEAD + PARTS + prompt("flat", 'stage = "arrival"', INSPECT) + prompt("smell", 'stage = "arrival"', INSPECT)
    )
    text += prompt("eye", 'stage = "open"', 'covers = ["seal"]')
    return text + probe("a") + probe("charge", 'after = ["flat", "smell"]') + probe("b", 'stage = "finished"')


def disposition(run: Run) -> tuple[Disposition, str]:
    made = outcome(run.state.plan, run.state.counting_attempts(), run.state.waived, run.state.quarantined)
    return made.disposition, made.reason


@pytest.mark.parametrize("backend", BACKENDS)
def test_a_fail_ends_what_runs_makes_safe_and_nothing_else_is_made_at_any_stage(
    tmp_path: Path, backend: str
) -> None:
    bench = Bench(answers={"flat": False, "smell": True, "eye": True})
    slow = probe("slow", 'stage = "arrival"')
    run = Run(tmp_path, suite() + slow, bench)
    bench.waits["slow"] = 30.0  # would outlast the test, were it not ended
    run.go(backend)
    assert run.verdict("flat") is Verdict.FAIL
    assert {c: run.verdict(c) for c in ("smell", "eye", "a", "charge", "b", "slow")} == dict.fromkeys(
        ("smell", "eye", "a", "charge", "b", "slow"), Verdict.NOT_RUN
    )
    assert run.reason("charge") == "the unit is quarantined"
    assert run.reason("slow") == "ended, because the unit is quarantined"
    assert "ask smell" not in bench.log and "start a" not in bench.log
    assert bench.log.index("fail flat") < bench.log.index("safe: the unit is quarantined")
    assert "quarantined by flat" in bench.log
    found, reason = disposition(run)
    assert found is Disposition.QUARANTINED and found.value == "hold: quarantined"
    assert reason.startswith("do not charge, load or heat this unit") and "“flat” failed: no, not yes" in reason
    run.reopen()
    assert not run.state.pending() and run.state.quarantined is not None


def test_only_an_answer_that_quarantines_is_asked_to_be_given_twice(tmp_path: Path) -> None:
    bench = Bench(answers={"flat": True, "smell": True, "eye": False})
    Run(tmp_path, suite(), bench).go()
    flat, eye = bench.questions["flat"], bench.questions["eye"]
    assert flat.grave is not None
    assert "quarantined" in flat.grave(Given(value=False, by=T07))
    assert flat.grave(Given(value=True, by=T07)) == ""
    assert eye.grave is None


def test_it_is_stronger_than_a_fail_elsewhere_and_that_fail_stays_visible(tmp_path: Path) -> None:
    bench = Bench(answers={"flat": False}, values={"first": 0.0})
    run = Run(tmp_path, HEAD + probe("first", 'stage = "arrival"') + prompt("flat", "after = []", INSPECT), bench)
    run.go()
    assert run.verdict("first") is Verdict.FAIL
    assert disposition(run)[0] is Disposition.QUARANTINED


@pytest.mark.parametrize("kind", ["again", "reopen", "waive"])
def test_no_act_takes_anything_again(tmp_path: Path, kind: str) -> None:
    run = Run(tmp_path, suite(), Bench(answers={"flat": False}))
    run.go()
    subject = {"again": "flat", "reopen": "back", "waive": "seal"}[kind]
    with pytest.raises(InputError, match="quarantined"):
        refuse_bad(run.state, [Wish(kind=kind, subject=subject, why="looks fine to me")])


def test_a_correction_is_noted_and_lifts_nothing(tmp_path: Path) -> None:
    run = Run(tmp_path, suite(), Bench(answers={"flat": False}))
    run.go()
    wish = Wish(kind="correct", subject="flat", value="yes", why="hit the wrong key")
    refuse_bad(run.state, [wish])
    act(run.engine, wish, T07)
    run.reopen()
    run.go()  # a resume
    assert run.verdict("flat") is Verdict.PASS and run.verdict("charge") is Verdict.NOT_RUN
    found, reason = disposition(run)
    assert found is Disposition.QUARANTINED
    assert "corrected: hit the wrong key; that does not lift the quarantine" in reason


def test_a_pass_that_is_corrected_to_a_fail_quarantines(tmp_path: Path) -> None:
    run = Run(tmp_path, suite(), Bench(answers={"flat": True, "smell": True, "eye": True}))
    run.go()
    assert disposition(run)[0] is Disposition.RELEASE
    act(run.engine, Wish(kind="correct", subject="smell", value="no", why="sweetish, noticed it later"), T07)
    assert disposition(run)[0] is Disposition.QUARANTINED


def test_an_inspection_that_nobody_made_holds_and_lets_nothing_energise(tmp_path: Path) -> None:
    run = Run(tmp_path, suite(), Bench(answers={"flat": True, "eye": True}))  # nobody answers about the smell
    run.go()
    assert run.verdict("charge") is Verdict.NOT_RUN and run.verdict("a") is Verdict.PASS
    assert disposition(run)[0] is Disposition.HOLD


def test_what_comes_after_through_another_check_waits_for_an_inspection_that_was_set_aside(tmp_path: Path) -> None:
    text = (
        HEAD + prompt("flat", INSPECT) + probe("middle", 'after = ["flat"]') + probe("hot", 'after = ["middle"]')
    )
    bench = Bench(answers={"flat": True}, values={"hot": 0.0})
    run = Run(tmp_path, text, bench)
    run.go()
    assert run.verdict("hot") is Verdict.FAIL
    for subject in ("flat", "hot"):
        act(run.engine, Wish(kind="again", subject=subject, why="dropped since"), T07)
    bench.answers["flat"] = False
    started = bench.log.count("start hot")
    run.go()
    assert bench.log.count("start hot") == started  # its own prerequisite, middle, still stands as passed
    assert disposition(run)[0] is Disposition.QUARANTINED


def test_an_inspection_answered_from_memory_opens_no_way(tmp_path: Path) -> None:
    run = Run(tmp_path, suite(), Bench(answers={"flat": True, "smell": True, "eye": True}))
    run.go()
    for subject in ("flat", "charge"):
        act(run.engine, Wish(kind="again", subject=subject, why="asked by the next shift"), T07)
    run.go()
    assert run.verdict("flat") is Verdict.PASS and run.verdict("charge") is Verdict.NOT_RUN
    assert "answered from memory" in run.reason("charge")


def test_killed_at_any_line_a_quarantine_comes_out_the_same(tmp_path: Path) -> None:
    run = Run(tmp_path / "whole", suite(), Bench(answers={"flat": False}, seconds=0))
    run.go()
    whole = run.path.read_bytes().splitlines(keepends=True)
    kinds = [event.kind for event in read(run.path).events]
    for cut in range(1, len(whole)):
        again = Run(tmp_path / f"cut-{cut}", suite(), Bench(answers={"flat": False}, seconds=0))
        again.path.write_bytes(b"".join(whole[:cut]))
        again.reopen()
        again.go()
        assert disposition(again)[0] is Disposition.QUARANTINED, f"cut after {kinds[cut - 1]}"
        assert not any(line.startswith(("start", "ask smell")) for line in again.bench.log)
        if "finding" in kinds[:cut]:
            assert not again.bench.log or "ask flat" not in again.bench.log


def test_stages_that_were_never_begun_stay_so(tmp_path: Path) -> None:
    run = Run(tmp_path, suite(), Bench(answers={"flat": False}, seconds=0))
    run.go()
    assert run.state.begun == {Stage.ARRIVAL}


def test_the_log_of_a_quarantine_is_the_same_on_asyncio_trio_and_in_virtual_time(tmp_path: Path) -> None:
    text = HEAD + prompt("flat", INSPECT) + probe("x") + probe("y") + probe("z", 'stage = "finished"')
    text += prompt("eye", 'after = ["x"]')
    logs = []
    for backend in BACKENDS:
        bench = Bench(answers={"flat": False}, waits={"x": 20.0, "y": 20.0})
        run = Run(tmp_path / backend, text, bench)
        run.go(backend)
        events = read(run.path).events
        logs.append(
            [(e.kind, e.data.get("check"), (e.data.get("finding") or {}).get("reason")) for e in events[1:]]
        )
        assert bench.running == 0
    assert logs[0] == logs[1] == logs[2]
    assert [check for kind, check, _ in logs[0] if kind == "finding"] == ["flat", "x", "y", "z", "eye"]
