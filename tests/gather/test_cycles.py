"""Checks in cycles: cold starts and positions, each taken once, journalled, and kept through pauses and kills."""

from __future__ import annotations

from pathlib import Path

import pytest
from engine_bench import BACKENDS, HEAD, T07, Bench, Run, probe, prompt

from verifier.errors import Absent, BenchFault, InputError
from verifier.gather.acts import Wish, act, refuse_bad
from verifier.gather.journal import read
from verifier.readings import Attempt, Verdict

COLD = 'cycles = { times = 4, between = "Plug out and in" }'


def attempt(run: Run, check: str = "a") -> Attempt:
    found = run.state.counting(check)
    assert found is not None
    return found


def seen(run: Run, check: str = "a") -> list[tuple[int, Verdict | None, str]]:
    """Every cycle: number, verdict, and why it does not count."""
    return [(c.number, c.finding.verdict if c.finding else None, c.set_aside) for c in attempt(run, check).cycles]


@pytest.mark.parametrize("backend", BACKENDS)
def test_between_is_asked_before_each_further_cycle_and_the_unit_is_let_go_meanwhile(
    tmp_path: Path, backend: str
) -> None:
    bench = Bench()
    run = Run(tmp_path, HEAD + probe("a", COLD), bench)
    run.go(backend)
    one = ["leave", "cue a: cycle 2 of 4: Plug out and in", "reach", "start a", "end a", "cycle 2 pass"]
    assert bench.log[1:10] == ["start a", "end a", "cycle 1 pass", *one]
    assert bench.log.count("leave") == bench.log.count("reach") == 3
    assert run.verdict("a") is Verdict.PASS
    assert "all 4 cycles passed" in run.reason("a") and "52.8 % of cycles is excluded" in run.reason("a")
    assert len(attempt(run).takes) == 4
    run.reopen()
    assert [c.number for c in attempt(run).counting_cycles] == [1, 2, 3, 4]


@pytest.mark.parametrize("backend", BACKENDS)
def test_every_cycle_is_judged_and_the_finding_says_which_failed(tmp_path: Path, backend: str) -> None:
    bench = Bench(values={"a": [1.0, 0.2, 1.0, 0.3]})
    run = Run(tmp_path, HEAD + probe("a", COLD), bench)
    run.go(backend)
    assert run.verdict("a") is Verdict.FAIL
    assert run.reason("a").startswith("cycles 2 and 4 of 4: 0.2, at least 0.5")
    # scipy.stats.binomtest(2, 4).proportion_ci(0.95, "exact"): 0.067586 to 0.932414
    assert "50 % of cycles fail (95 % interval 6.75 % to 93.3 %" in run.reason("a")
    assert [v for _, v, _ in seen(run)] == [Verdict.PASS, Verdict.FAIL, Verdict.PASS, Verdict.FAIL]


def test_positions_are_asked_before_each_cycle_and_gone_through_in_turn(tmp_path: Path) -> None:
    bench = Bench(answers={"p": True})
    run = Run(tmp_path, HEAD + prompt("p", 'cycles = { times = 3, positions = ["flat", "upright"] }'), bench)
    run.go()
    cues = [line for line in bench.log if line.startswith("cue")]
    assert cues == [f"cue p: cycle {n} of 3: Position: {p}" for n, p in enumerate(("flat", "upright", "flat"), 1)]
    assert [c.position for c in attempt(run, "p").cycles] == ["flat", "upright", "flat"]
    assert "leave" not in bench.log  # turned over, not switched off
    assert len(attempt(run, "p").answers) == 3


def test_without_anything_to_do_nobody_is_needed(tmp_path: Path) -> None:
    run = Run(tmp_path, HEAD + probe("a", "cycles = { times = 3 }"), Bench(there=False))
    run.go()
    assert run.verdict("a") is Verdict.PASS


def test_where_nobody_acts_the_check_is_not_run_and_says_so(tmp_path: Path) -> None:
    run = Run(tmp_path, HEAD + probe("a", COLD), Bench(there=False))
    run.go()
    assert run.verdict("a") is Verdict.NOT_RUN
    assert run.reason("a") == "cycle 2 of 4: nobody is there"


@pytest.mark.parametrize("before", ["x", ""], ids=["beside others", "first"])
def test_while_the_unit_is_away_nothing_else_runs(tmp_path: Path, before: str) -> None:
    bench = Bench(answers={"q": True})
    checks = probe("x") + probe("a", COLD) if before else probe("a", COLD) + probe("x")
    run = Run(tmp_path, HEAD + checks + probe("y") + prompt("q"), bench)
    run.go()
    first, last = bench.log.index("start a"), bench.log.index("pass a")
    inside = [line for line in bench.log[first:last] if not line.startswith(("start a", "end a", "cycle"))]
    assert all(line in ("leave", "reach") or line.startswith("cue a") for line in inside)
    assert [run.verdict(c) for c in "xayq"] == [Verdict.PASS] * 4


@pytest.mark.parametrize("backend", BACKENDS)
def test_a_cycle_that_the_bench_spoilt_is_taken_again_from_the_act_on(tmp_path: Path, backend: str) -> None:
    bench = Bench(values={"a": [1.0, BenchFault("adapter gone"), 1.0, 1.0, 1.0]})
    run = Run(tmp_path, HEAD + probe("a", COLD), bench)
    run.go(backend)
    assert run.verdict("a") is Verdict.PASS and "(success run of 4)" in run.reason("a")
    assert seen(run)[1] == (2, Verdict.BENCH_ERROR, "the bench failed: taken again")
    assert [line for line in bench.log if "cycle 2 of 4" in line] == ["cue a: cycle 2 of 4: Plug out and in"] * 2


def test_a_unit_that_takes_its_time_is_waited_for_and_that_is_said(tmp_path: Path) -> None:
    bench = Bench(unreachable=1)
    run = Run(tmp_path, HEAD + probe("a", COLD), bench)
    run.go()
    reached = bench.log.index("reach")
    said = "cue a: cycle 2 of 4: The unit does not answer yet. It is waited for, 3 minutes at the most."
    assert bench.log[reached : reached + 4] == ["reach", said, "reach", "start a"]
    assert run.verdict("a") is Verdict.PASS and [n for n, _, _ in seen(run)] == [1, 2, 3, 4]


def test_after_three_tries_the_check_ends_as_a_bench_error_and_the_rest_is_left_out(tmp_path: Path) -> None:
    bench = Bench(unreachable=9)
    run = Run(tmp_path, HEAD + probe("a", COLD), bench)
    run.go()
    assert run.verdict("a") is Verdict.BENCH_ERROR
    assert [n for n, _, _ in seen(run)] == [1, 2, 2, 2]
    assert run.reason("a").startswith("cycle 2 of 4: the unit was")
    found = attempt(run).finding
    assert found is not None and found.to_do == "Look at the lamp." and found.rate is None


def test_a_fail_is_not_undone_by_a_bench_that_fails_later_and_then_no_rate_is_stated(tmp_path: Path) -> None:
    bench = Bench(values={"a": [1.0, 0.0, BenchFault("x"), BenchFault("x"), BenchFault("x")]})
    run = Run(tmp_path, HEAD + probe("a", COLD), bench)
    run.go()
    assert run.verdict("a") is Verdict.FAIL
    assert run.reason("a").startswith("cycle 2 of 4, and no more were taken: 0")
    found = attempt(run).finding
    assert found is not None and found.rate is None


def test_stop_at_the_first_fail_leaves_the_rest_out_and_states_no_rate(tmp_path: Path) -> None:
    bench = Bench(values={"a": [1.0, 0.0]})
    run = Run(tmp_path, HEAD + probe("a", COLD.replace(" }", ', stop = "first-fail" }')), bench)
    run.go()
    assert [n for n, _, _ in seen(run)] == [1, 2]
    assert run.verdict("a") is Verdict.FAIL and "95 %" not in run.reason("a")


def test_a_cycle_that_fails_an_inspection_quarantines_at_once(tmp_path: Path) -> None:
    bench = Bench(values={"a": [1.0, 0.0]})
    run = Run(tmp_path, HEAD + probe("a", COLD, 'on_fail = "quarantine"') + probe("b"), bench)
    run.go()
    assert [n for n, _, _ in seen(run)] == [1, 2] and run.state.quarantined is not None


def test_hardware_that_is_gone_in_one_cycle_fails_that_cycle_and_the_others_are_taken(tmp_path: Path) -> None:
    bench = Bench(values={"a": [1.0, Absent("no stick"), 1.0, 1.0]})
    run = Run(tmp_path, HEAD + probe("a", COLD, 'if_absent = "not-fitted"'), bench)
    run.go()
    assert run.verdict("a") is Verdict.FAIL and len(seen(run)) == 4
    assert "no stick" in run.reason("a") and "25 % of cycles fail" in run.reason("a")


def test_hardware_that_is_not_fitted_costs_no_cold_start(tmp_path: Path) -> None:
    bench = Bench(values={"a": Absent("no radio")})
    run = Run(tmp_path, HEAD + probe("a", COLD, 'if_absent = "not-fitted"'), bench)
    run.go()
    found = attempt(run).finding
    assert found is not None and found.not_fitted and "leave" not in bench.log


def test_repeats_are_of_each_cycle(tmp_path: Path) -> None:
    bench = Bench()
    run = Run(tmp_path, HEAD + probe("a", "cycles = { times = 2 }", "repeat = { times = 3 }"), bench)
    run.go()
    assert [(c.first_take, c.takes) for c in attempt(run).cycles] == [(0, 3), (3, 3)]
    first = attempt(run).cycles[0].finding
    assert first is not None and first.held[0].readings_pooled == 3


@pytest.mark.parametrize("check", [probe("a", COLD), prompt("a", COLD)], ids=["probe", "prompt"])
def test_killed_at_any_line_no_finished_cycle_is_taken_again(tmp_path: Path, check: str) -> None:
    run = Run(tmp_path / "whole", HEAD + check, Bench(answers={"a": True}, seconds=0))
    run.go()
    whole, events = run.path.read_bytes().splitlines(keepends=True), read(run.path).events
    for cut in range(1, len(whole)):
        done = sum(event.kind == "cycle-ended" for event in events[:cut])
        answered = sum(event.kind == "answer" for event in events[:cut])
        bench = Bench(answers={"a": True}, seconds=0)
        again = Run(tmp_path / f"cut-{cut}", HEAD + check, bench)
        again.path.write_bytes(b"".join(whole[:cut]))
        again.reopen()
        again.go()
        taken = sum(line in ("start a", "ask a") for line in bench.log)
        told = f"cut after {events[cut - 1].kind}"
        assert taken == 4 - max(done, answered), told
        assert again.verdict("a") is Verdict.PASS, told
        assert [c.number for c in attempt(again).counting_cycles] == [1, 2, 3, 4], told
        if events[cut - 1].kind == "cycle-began" and events[cut - 1].data["number"] > 1:
            assert "unless it is done already" in bench.log[2], told  # switched off to act, perhaps with the bench


def test_readings_of_a_cycle_that_was_broken_off_stay_visible_and_count_for_nothing(tmp_path: Path) -> None:
    bench = Bench(values={"a": [1.0, 0.0, 1.0, 1.0, 1.0]})  # the 0 is that of the broken one
    run = Run(tmp_path, HEAD + probe("a", COLD), bench)
    run.go()
    whole, events = run.path.read_bytes().splitlines(keepends=True), read(run.path).events
    cut = [n for n, e in enumerate(events, 1) if e.kind == "reading"][1]
    run.journal.close()
    run.path.write_bytes(b"".join(whole[:cut]))
    run.reopen()
    bench.values["a"] = 1.0
    run.go()
    assert run.verdict("a") is Verdict.PASS
    assert seen(run)[1] == (2, None, "interrupted before it was finished")
    assert [r.value for take in attempt(run).takes for r in take] == [1.0, 0.0, 1.0, 1.0, 1.0]


def test_again_and_reopen_void_cycles_that_were_taken_even_before_the_last(tmp_path: Path) -> None:
    bench = Bench()
    run = Run(tmp_path, HEAD + probe("a", COLD), bench)
    run.go()
    whole, events = run.path.read_bytes().splitlines(keepends=True), read(run.path).events
    cut = [n for n, e in enumerate(events, 1) if e.kind == "cycle-ended"][1]
    run.journal.close()
    run.path.write_bytes(b"".join(whole[:cut]))
    run.reopen()
    act(run.engine, Wish(kind="again", subject="a", why="plug was not pushed home"), T07)
    run.go()
    first, second = run.state.attempts["a"]
    assert first.set_aside == "taken again: plug was not pushed home" and len(first.cycles) == 2
    assert len(second.counting_cycles) == 4


def test_one_value_corrects_no_cycles(tmp_path: Path) -> None:
    run = Run(tmp_path, HEAD + prompt("p", COLD), Bench(answers={"p": False}))
    run.go()
    with pytest.raises(InputError, match="each of its cycles"):
        refuse_bad(run.state, [Wish(kind="correct", subject="p", value="yes", why="slip")])
