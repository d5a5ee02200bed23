"""A unit that was quarantined here before: told before anything is switched on; work goes on only for a reason.

That a cell was once found swollen is known only to the records. So, as soon as it is known which unit is on the
bench, at the start of a run and at each resume:

1. Whoever is at the bench is told of the newest such run, and asked why work goes on. The answer is journalled.
2. No answer can be prepared. Where nobody gives one, the run stops before its first check and can be gone on with.
3. What was once answered in a run is not asked again in it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from verifier.declare.suite import PromptKind
from verifier.errors import InputError, NotPossible
from verifier.gather.identifying import Journalled
from verifier.gather.prompts.question import Asker, Question
from verifier.gather.state import to_json

DESPITE = "quarantined before"
"""Stands for a check's id where this is asked; no check, and so no prepared answer, can be called so."""


@dataclass(frozen=True, slots=True)
class EarlierQuarantine:
    """A run in which this unit was quarantined."""

    run: str
    day: str
    """On which it ended, such as 2026-11-25."""
    why: str
    """What was found then."""
    sealed: bool = True


FindQuarantine = Callable[[str], EarlierQuarantine | None]
"""The newest of such runs at this station, for a serial number of the run's model."""


async def reason_to_go_on(run: Journalled, asker: Asker, find: FindQuarantine) -> None:
    """Ask why work goes on with a unit that was quarantined before. InputError when nobody says why."""
    state = run.state
    if state.serial is None or state.quarantined is not None:
        return
    earlier = find(state.serial)
    if earlier is None or any(act.kind == "go-on" and act.subject == earlier.run for act in state.acts):
        return
    question = Question(
        check=DESPITE,
        kind=PromptKind.TEXT,
        title="This unit was quarantined before",
        say=f"Unit {state.serial} was quarantined on {earlier.day}: {earlier.why}\n"
        "Do not charge, load or heat it before somebody has made sure that what was found then is gone.\n"
        "Why does work go on? Your answer stands in the report. Without a good one, :cannot.",
    )
    try:
        given = await asker.ask(question)
    except NotPossible as error:
        run.append(
            "stopped", {"why": f"the unit was quarantined before, and nobody said why work goes on: {error.what}"}
        )
        raise InputError(
            f"unit {state.serial} was quarantined on {earlier.day} in run {earlier.run}, and nobody said why work "
            f"goes on. Found then: {earlier.why}",
            to_do=f"Nothing was switched on. Keep the unit apart; once it has been made good, `verifier resume "
            f"{state.run}` at a terminal asks for the reason. {_mistaken(earlier)}",
        ) from None
    # The journal dates it.
    act = {
        "kind": "go-on",
        "subject": earlier.run,
        "why": str(given.value),
        "by": to_json(given.by),
        "value": f"{earlier.day}: {earlier.why}",
    }
    run.append("act", {"act": act})


def _mistaken(earlier: EarlierQuarantine) -> str:
    seal = "" if earlier.sealed else f"sealed first (`verifier resume {earlier.run}`), then "
    return f"A quarantine that was a mistake is {seal}voided: `verifier amend {earlier.run} --void`."
