"""Counting what was shown or played: a number that chance draws, and the one that the technician saw or heard.

Nobody can answer without having looked or listened: the number is drawn when it is shown, and neither terminal nor
journal has it before the answer.
"""

from __future__ import annotations

import random

from verifier.readings import Reading, ReadingDeclaration

FEWEST, MOST = 3, 9
"""So few that nobody miscounts them, so many that a guess is right once in seven."""

READINGS = (
    ReadingDeclaration(name="counted_right", kind="yes-no", what="Whether as many were counted as there were."),
    ReadingDeclaration(name="shown", kind="number", unit="1", what="How many there were: chance draws it."),
    ReadingDeclaration(name="counted", kind="number", unit="1", what="How many the technician counted."),
)
ANSWER = r"\d{1,2}"
"""The pattern of an answer."""


def drawn(chance: random.Random) -> int:
    return chance.randint(FEWEST, MOST)


def readings(shown: int, answer: str, origin: str) -> list[Reading]:
    counted = int(answer)
    said = f"{shown} shown, {counted} counted; {origin}"
    return [
        Reading(name="counted_right", value=shown == counted, origin=said, exact=True),
        Reading(name="shown", value=shown, unit="1", origin=origin, exact=True),
        Reading(name="counted", value=counted, unit="1", origin="answer of the technician", exact=True),
    ]
