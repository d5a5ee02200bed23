"""The ladder for units that do not start: first, alone, and the end of the run where a rung fails."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from verifier.declare.lint import load_suite
from verifier.declare.order import RepairOrder
from verifier.errors import InputProblems
from verifier.gather.acts import Wish, act
from verifier.gather.catalogue import load_catalogue
from verifier.judge import outcome
from verifier.readings import Disposition, Person, Stage, Verdict

sys.path.insert(0, str(Path(__file__).parent))
from engine_bench import BACKENDS, HEAD, Bench, Run, probe, prompt

LADDER = """
[ladder]
complaint = ["does not start", "won't switch on"]
[[ladder.rungs]]
check = "standby"
look = "the fuse beside the DC plug"
[[ladder.rungs]]
check = "key"
look = "the flex cable of the key"
"""
ARRIVAL = 'stage = "arrival"'
# In the file other checks come first: the ladder does not depend on that.
SUITE = HEAD + LADDER + (
    probe("as-found", ARRIVAL) + probe("key", ARRIVAL) + probe("standby", ARRIVAL)
    + prompt("seal", 'stage = "open"') + probe("port") + probe("link", 'after = ["port"]')
)  # fmt: skip
DEAD = RepairOrder(complaint="Does not  START since the storm")


def run(tmp_path: Path, bench: Bench, order: RepairOrder = DEAD) -> Run:
    bench.answers = {"seal": True}
    return Run(tmp_path, SUITE, bench, order)


@pytest.mark.parametrize("backend", BACKENDS)
def test_rungs_come_first_in_their_order_and_alone_then_the_run_is_as_usual(tmp_path: Path, backend: str) -> None:
    bench = Bench()
    made = run(tmp_path, bench)
    made.go(backend)
    assert [line for line in bench.log if line.startswith(("start", "end"))][:5] == [
        "start standby", "end standby", "start key", "end key", "start as-found",
    ]  # fmt: skip
    assert {made.verdict(check.id) for check in made.state.plan.suite.checks} == {Verdict.PASS}


def test_a_rung_that_fails_ends_the_run_and_says_where_to_look(tmp_path: Path) -> None:
    bench = Bench(values={"standby": 0.0})
    made = run(tmp_path, bench)
    made.go()
    assert [line for line in bench.log if line.startswith(("start", "ask"))] == ["start standby"]
    assert made.verdict("standby") is Verdict.FAIL
    assert made.reason("standby").endswith("Look at the fuse beside the DC plug")
    for other in ("as-found", "key", "seal", "port", "link"):
        assert made.verdict(other) is Verdict.NOT_RUN
        assert made.reason(other) == "the unit does not start: “standby” failed"
    end = outcome(made.state.plan, made.state.counting_attempts(), ())
    assert end.disposition is Disposition.REWORK
    assert end.reason.startswith("“standby” failed: ") and end.reason.endswith(
        ". Look at the fuse beside the DC plug"
    )


def test_after_the_repair_the_failed_rung_is_made_again_and_all_that_it_kept_back(tmp_path: Path) -> None:
    bench = Bench(values={"standby": [0.0, 1.0]})
    made = run(tmp_path, bench)
    made.go()
    made.reopen()
    act(made.engine, Wish(kind="again", subject="standby", why="fuse replaced"), Person(name="T07"))
    made.go()
    assert {made.verdict(check.id) for check in made.state.plan.suite.checks} == {Verdict.PASS}
    # The unit was not closed meanwhile, so that what can be seen while it is open is not asked from memory.
    assert "ask seal" in bench.log


def test_a_rung_that_could_not_be_made_ends_nothing(tmp_path: Path) -> None:
    from verifier.errors import NotPossible

    bench = Bench(values={"standby": NotPossible("this station has no instrument 'supply'")})
    made = run(tmp_path, bench)
    made.go()
    assert made.verdict("standby") is Verdict.NOT_RUN and made.verdict("link") is Verdict.PASS


@pytest.mark.parametrize("complaint", [None, "Switches off after an hour", "It does not started"])
def test_another_complaint_needs_no_ladder_and_misses_none(tmp_path: Path, complaint: str | None) -> None:
    bench = Bench()
    made = run(tmp_path, bench, RepairOrder(complaint=complaint))
    made.go()
    assert {made.verdict("standby"), made.verdict("key")} == {Verdict.NOT_RUN}
    assert made.verdict("link") is Verdict.PASS
    assert outcome(made.state.plan, made.state.counting_attempts(), ()).disposition is Disposition.RELEASE


def test_apostrophes_are_not_told_apart(tmp_path: Path) -> None:
    bench = Bench(values={"standby": 0.0})
    made = run(tmp_path, bench, RepairOrder(complaint="It won’t switch on."))
    made.go()
    assert made.verdict("port") is Verdict.NOT_RUN


def test_the_ladder_comes_first_whatever_stage_is_asked_for(tmp_path: Path) -> None:
    bench = Bench()
    made = run(tmp_path, bench)
    made.go("asyncio", Stage.CLOSED)
    assert [line for line in bench.log if line.startswith("start")] == [
        "start standby", "start key", "start port", "start link",
    ]  # fmt: skip


STANDBY, KEY, PORT = probe("standby", ARRIVAL), probe("key", ARRIVAL), probe("port")
GOOD = HEAD + LADDER + STANDBY + KEY + PORT
WRONG = {
    'there is no check "keys"': GOOD.replace('check = "key"', 'check = "keys"'),
    "is a rung already": GOOD.replace('check = "key"', 'check = "standby"'),
    "its stage is closed": HEAD + LADDER + STANDBY + probe("key"),
    "no earlier rung": HEAD + LADDER + STANDBY + probe("key", ARRIVAL, 'after = ["port"]') + PORT,
    "not climbed in every repair": HEAD + LADDER + STANDBY + KEY + probe("port", 'after = ["key"]'),
    "has no limits": HEAD + LADDER + STANDBY + "".join(
        line + "\n" for line in KEY.splitlines() if not line.startswith("limits")
    ),
}  # fmt: skip


def lint(tmp_path: Path, text: str) -> str:
    text = text.replace('probe = "port"', 'probe = "processor.cores"').replace(
        'reading = "value"', 'reading = "cores"'
    )
    text = "\n".join(line for line in text.splitlines() if not line.startswith("settings"))
    path = tmp_path / "suite.toml"
    path.write_text(text)
    load_suite(path, load_catalogue())
    return text


def test_a_good_ladder_is_shown_as_a_person_reads_it(tmp_path: Path) -> None:
    import tomllib

    from verifier.commands.suite_text import suite_text
    from verifier.declare.suite import Suite

    shown = suite_text(Suite.model_validate(tomllib.loads(lint(tmp_path, GOOD))))
    assert "complaint says “does not start” or “won't switch on”" in shown
    assert "1. standby: standby\n     where it fails, look at the fuse beside the DC plug" in shown


@pytest.mark.parametrize("what", WRONG)
def test_lint_tells_a_ladder_that_cannot_be_climbed(tmp_path: Path, what: str) -> None:
    with pytest.raises(InputProblems) as caught:
        lint(tmp_path, WRONG[what])
    assert any(what in p.what for p in caught.value.problems), caught.value
