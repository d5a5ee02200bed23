"""Checks that stand in for others: each pair has to be able to take the other's place."""

from __future__ import annotations

from verifier.declare.notes import Notes
from verifier.declare.spelling import shown
from verifier.declare.suite import Suite


def lint_stand_ins(notes: Notes, suite: Suite) -> None:
    checks = {check.id: check for check in suite.checks}
    rungs = {rung.check for rung in suite.ladder.rungs} if suite.ladder else set()
    for number, check in enumerate(suite.checks):
        name = check.instead_of
        if name is None:
            continue
        at = ("checks", number, "instead_of")
        if name not in checks:
            notes.error(at, f"there is no check {shown(name)}", notes.hint(name, checks, "checks"))
            continue
        other = checks[name]
        if name == check.id or other.instead_of is not None:
            notes.error(
                at, f"{shown(name)} stands in for another check itself", "Name the check that comes first."
            )
        elif check.id in rungs or name in rungs:
            notes.error(at, "a rung of the ladder has no stand-in", "Take instead_of out.")
        elif waiting := [c.id for c in suite.checks if {name, check.id} & set(c.after)]:
            what = f"{shown(waiting[0])} comes after one of the two, which may not be made where the other one is"
            notes.error(at, what, "Let it come after what comes before them.")
        elif other.stage.order > check.stage.order:
            notes.error(
                at, f"{shown(name)} is made later, at stage {other.stage.value}", "Give both the same stage."
            )
        elif other.required and not check.required:
            what = f"{shown(name)} is required, and its stand-in {shown(check.id)} is not"
            notes.error(("checks", number, "required"), what, "Take required = false out.", at_key=True)
        elif missing := [joint for joint in other.covers if joint not in check.covers]:
            what = f"in the place of {shown(name)} this check does not cover {', '.join(map(shown, missing))}"
            notes.warning(at, what, "Name it in covers, if it is proved here too.", concerns=[(*at[:2], "covers")])
