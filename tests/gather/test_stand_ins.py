"""Checks that stand in for others: one side is made, and nothing that went wrong is asked away."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from verifier.declare.lint import load_suite
from verifier.errors import BenchFault, InputProblems, NotPossible
from verifier.gather.acts import Wish, act
from verifier.gather.catalogue import load_catalogue
from verifier.judge import outcome
from verifier.readings import Disposition, Person, Verdict

sys.path.insert(0, str(Path(__file__).parent))
from engine_bench import BACKENDS, HEAD, Bench, Run, probe, prompt

# The stand-in stands first: the order in the file does not matter.
SUITE = HEAD + prompt("by-hand", 'instead_of = "by-load"') + probe("by-load") + probe("other")


def run(tmp_path: Path, value: Any, backend: str = "asyncio") -> tuple[Run, Disposition]:
    made = Run(tmp_path, SUITE, Bench(values={"by-load": value}, answers={"by-hand": True}))
    made.go(backend)
    return made, disposition(made)


def disposition(made: Run) -> Disposition:
    return outcome(made.state.plan, made.state.counting_attempts(), ()).disposition


@pytest.mark.parametrize("backend", BACKENDS)
def test_where_there_is_the_instrument_nobody_is_asked(tmp_path: Path, backend: str) -> None:
    made, end = run(tmp_path, 1.0, backend)
    assert not any(line.startswith("ask") for line in made.bench.log)
    assert made.verdict("by-hand") is Verdict.NOT_RUN and "“by-load” was made" in made.reason("by-hand")
    assert end is Disposition.RELEASE


@pytest.mark.parametrize("backend", BACKENDS)
def test_where_there_is_none_the_stand_in_counts(tmp_path: Path, backend: str) -> None:
    made, end = run(tmp_path, NotPossible("this station has no instrument 'load'"), backend)
    assert made.verdict("by-load") is Verdict.NOT_RUN and made.verdict("by-hand") is Verdict.PASS
    assert end is Disposition.RELEASE


def test_where_neither_could_be_made_the_unit_is_held(tmp_path: Path) -> None:
    made = Run(tmp_path, SUITE, Bench(values={"by-load": NotPossible("no instrument")}))
    made.go()
    assert made.verdict("by-hand") is Verdict.NOT_RUN and disposition(made) is Disposition.HOLD


@pytest.mark.parametrize(
    ("value", "verdict", "end"),
    [(0.0, Verdict.FAIL, Disposition.REWORK), (BenchFault("no reply"), Verdict.BENCH_ERROR, Disposition.HOLD)],
)
def test_a_fail_or_a_bench_error_is_never_asked_away(
    tmp_path: Path, value: Any, verdict: Verdict, end: Disposition
) -> None:
    made, ended = run(tmp_path, value)
    assert made.verdict("by-load") is verdict and made.verdict("by-hand") is Verdict.NOT_RUN
    assert not any(line.startswith("ask") for line in made.bench.log) and ended is end


def test_taken_again_after_a_bench_error_the_stand_in_is_decided_anew(tmp_path: Path) -> None:
    made, _ = run(tmp_path, [BenchFault("no reply"), NotPossible("taken away")])
    act(made.engine, Wish(kind="again", subject="by-load", why="meter broke"), Person(name="T07"))
    made.go()
    assert made.verdict("by-hand") is Verdict.PASS and disposition(made) is Disposition.RELEASE


WRONG = {
    'there is no check "by-loads"': SUITE.replace('instead_of = "by-load"', 'instead_of = "by-loads"'),
    "stands in for another check itself": SUITE.replace('id = "by-load"', 'id = "by-load"\ninstead_of = "other"'),
    "comes after one of the two": SUITE.replace('id = "other"', 'id = "other"\nafter = ["by-hand"]'),
    "is made later": SUITE.replace('id = "by-load"', 'id = "by-load"\nstage = "finished"'),
    "its stand-in": SUITE.replace('id = "by-hand"', 'id = "by-hand"\nrequired = false'),
}


@pytest.mark.parametrize("what", WRONG)
def test_lint_tells_pairs_that_cannot_take_each_others_place(tmp_path: Path, what: str) -> None:
    text = WRONG[what].replace('probe = "port"', 'probe = "processor.cores"').replace('"value"', '"cores"')
    path = tmp_path / "suite.toml"
    path.write_text("\n".join(line for line in text.splitlines() if not line.startswith("settings")))
    with pytest.raises(InputProblems) as caught:
        load_suite(path, load_catalogue())
    assert any(what in problem.what for problem in caught.value.problems), caught.value
