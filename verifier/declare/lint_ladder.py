"""The ladder for units that do not start: its rungs are checks that can be made first and alone."""

from __future__ import annotations

from verifier.declare.lint_joints import waits_for
from verifier.declare.notes import Notes
from verifier.declare.spelling import shown
from verifier.declare.suite import Suite
from verifier.readings import Stage


def lint_ladder(notes: Notes, suite: Suite) -> None:
    if suite.ladder is None:
        return
    places = {check.id: number for number, check in enumerate(suite.checks)}
    earlier: list[str] = []
    for number, rung in enumerate(suite.ladder.rungs):
        at = ("ladder", "rungs", number, "check")
        if rung.check not in places:
            notes.error(at, f"there is no check {shown(rung.check)}", notes.hint(rung.check, places, "checks"))
            continue
        if rung.check in earlier:
            notes.error(at, f"{shown(rung.check)} is a rung already", "Keep one of the two.")
            continue
        place = places[rung.check]
        check = suite.checks[place]
        if check.stage is not Stage.ARRIVAL:
            what = f"{shown(rung.check)} is a rung, made before all else, and its stage is {check.stage.value}"
            to_do = 'Give it stage = "arrival"; what proves a joint after the repair is a check of its own.'
            notes.error(("checks", place, "stage"), what, to_do, at_key=True)
        if not check.limits:
            notes.error(at, f"{shown(rung.check)} has no limits, so that it never fails", "Give it limits.")
        for key, other_place, other in waits_for(check):
            inspection = other in places and suite.checks[places[other]].quarantines
            if other in places and other not in earlier and not inspection:
                what = f"{shown(rung.check)} is a rung and cannot wait for {shown(other)}, no earlier rung"
                notes.error(("checks", place, key, other_place), what, "Take it out: rungs keep their order.")
        earlier.append(rung.check)
    for number, check in enumerate(suite.checks):
        for key, place, other in waits_for(check):
            if other in earlier and check.id not in earlier:
                what = f"{shown(other)} is a rung of the ladder, which is not climbed in every repair"
                notes.error(("checks", number, key, place), what, "Take it out: rungs are made first anyway.")
