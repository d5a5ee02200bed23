"""What a person may do to a run that is not sealed yet. Each act is journalled with who and why.

Nothing is overwritten: an attempt that no longer counts is set aside and stays visible.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

from verifier.declare.coverage import by_eye_only, disturbed_joints
from verifier.declare.ladder import rung_of
from verifier.declare.suite import Suite
from verifier.errors import InputError
from verifier.gather.engine import Engine
from verifier.gather.prompts.question import Given as GivenAnswer
from verifier.gather.prompts.question import check_value, question_of, read_answer, reading_of
from verifier.gather.state import RunState, to_json
from verifier.readings import Act, Answer, Moment, Person, Stage, Value, Verdict

_UNDATED = Moment(wall="", boot="", boot_id="")
"""Stands for the time until the journal gives the event its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """An act as it was asked for, not yet looked at."""

    kind: Literal["correct", "again", "reopen", "waive"]
    subject: str
    why: str
    value: str | None = None


def refuse_bad(state: RunState, wishes: list[Wish]) -> None:
    """Raise InputError for an act that makes no sense, before any is done."""
    suite = state.plan.suite
    for wish in wishes:
        if state.quarantined is not None and wish.kind != "correct":
            raise InputError(
                "the unit is quarantined: nothing is taken again, reopened or waived in this run",
                where=f"--{wish.kind} {wish.subject}",
                to_do="Keep the unit apart. Once it has been made good, start a new run.",
            )
        if not wish.why.strip():
            raise InputError(f"--{wish.kind} needs a reason", to_do='Add --why "...".')
        known: list[str] = {
            "correct": [c.id for c in suite.checks if c.prompt],
            "again": [c.id for c in suite.checks],
            "reopen": list(suite.parts),
            "waive": list(suite.joints),
        }[wish.kind]
        what = {"correct": "prompt", "again": "check", "reopen": "part", "waive": "joint"}[wish.kind]
        if wish.subject not in known:
            near = get_close_matches(wish.subject, known, 1)
            if wish.kind == "correct" and wish.subject in [c.id for c in suite.checks]:
                to_do = f"A probe's reading cannot be corrected: take it again with --again {wish.subject}."
            else:
                to_do = f"Did you mean {near[0]}?" if near else f"There are: {', '.join(known) or 'none'}."
            raise InputError(f"the suite has no {what} {wish.subject!r}", where=f"--{wish.kind}", to_do=to_do)
        if wish.kind == "correct" and state.counting(wish.subject) is None:
            raise InputError(
                f"{wish.subject} has no answer yet that could be corrected",
                where="--correct",
                to_do="`verifier resume` asks it.",
            )
        if wish.kind == "correct" and suite.check(wish.subject).cycles is not None:
            raise InputError(
                f"{wish.subject} was answered in each of its cycles, and one value says nothing of any of them",
                where="--correct",
                to_do=f"Take it again with --again {wish.subject}.",
            )
        if wish.kind == "correct":
            _corrected_value(state, wish)


def act(engine: Engine, wish: Wish, by: Person) -> None:
    """Do one act. `refuse_bad` has looked at it."""
    state = engine.state
    value: Value | None = None
    if wish.kind == "correct":
        value = _corrected_value(state, wish)[0]
    made = Act(kind=wish.kind, subject=wish.subject, why=wish.why.strip(), by=by, at=_UNDATED, value=value)
    data = to_json(made)
    del data["at"]
    engine.append("act", {"act": data})
    if wish.kind == "again":
        _set_aside(engine, wish.subject, f"taken again: {made.why}")
    elif wish.kind == "reopen":
        title = state.plan.suite.parts[wish.subject].title
        for check_id in voided_by_reopening(state.plan.suite, wish.subject):
            _set_aside(engine, check_id, f"“{title}” was reopened: {made.why}")
    elif wish.kind == "correct":
        _correct(engine, wish, by)


def voided_by_reopening(suite: Suite, part: str) -> list[str]:
    """The checks that say nothing any more once a part was taken out again, in the suite's order.

    1. What was found on arrival stays: it tells how the unit came in.
    2. Checks that prove a joint which that disturbs.
    3. Steps of the open stage that come after one of these: a board that comes out again loses its screws.
    4. A plain yes that proves no joint and makes ready for them: "unplugged and cool" of the open stage, "all test
       plugs in" before what is tested again.
    """
    joints = set(disturbed_joints(suite, [part]))
    later = [check for check in suite.checks if check.stage is not Stage.ARRIVAL]
    voided = {c.id for c in later if joints.intersection(c.covers)}
    while more := {
        c.id for c in later if c.stage is Stage.OPEN and c.id not in voided and voided.intersection(c.after)
    }:
        voided |= more
    before, waiting = set[str](), list(voided)
    while waiting:
        fresh = set(suite.check(waiting.pop()).after) - before
        before |= fresh
        waiting += fresh
    voided |= {
        c.id for c in later if by_eye_only(c) and not c.covers and (c.stage is Stage.OPEN or c.id in before)
    }
    return [check.id for check in later if check.id in voided]


def _set_aside(engine: Engine, check_id: str, why: str) -> None:
    """Set a finding aside, and with it what was not run only because of that finding."""
    begun = engine.state.open_attempt(check_id)
    if engine.state.counting(check_id) is None and not (begun and (begun.cycles or begun.paused)):
        return
    engine.append("set-aside", {"check": check_id, "why": why})
    title = engine.state.plan.suite.check(check_id).title
    is_rung = rung_of(engine.state.plan.suite, check_id) is not None
    for check in engine.state.plan.suite.checks:
        later = engine.state.counting(check.id)
        never_ran = later is not None and later.finding is not None and later.finding.verdict is Verdict.NOT_RUN
        depends = is_rung or check_id in check.after or check_id == check.instead_of
        if depends and later is not None and never_ran and not later.takes:
            _set_aside(engine, check.id, f"“{title}” did not pass then")


def _corrected_value(state: RunState, wish: Wish) -> tuple[Value, float | None]:
    question = question_of(state.plan.suite.check(wish.subject))
    try:
        return read_answer(question, wish.value or "")
    except ValueError as error:
        raise InputError(
            f"{wish.value!r} is no answer to this prompt: {error}", where=f"--correct {wish.subject}"
        ) from None


def _correct(engine: Engine, wish: Wish, by: Person) -> None:
    state = engine.state
    check = state.plan.suite.check(wish.subject)
    question = question_of(check, from_memory=state.from_memory(check))
    value, step = check_value(question, _corrected_value(state, wish)[0])
    given = GivenAnswer(value=value, by=by, unit=question.unit, step=step)
    _set_aside(engine, check.id, f"corrected: {wish.why.strip()}")
    answer = Answer(
        kind=question.kind.value,
        shown=question.shown,
        value=value,
        unit=question.unit,
        by=by,
        from_memory=question.from_memory,
    )
    engine.record_answers(check, answer, reading_of(question, given))
