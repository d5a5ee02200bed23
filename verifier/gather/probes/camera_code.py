"""A code for the unit's camera: chance draws it, the bench's screen shows it, and only a camera reads it."""

from __future__ import annotations

import random
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host, chance_of
from verifier.steps import Ask, Cue

LETTERS = "ACDEFHJKMNPQRTVWXY3479"
"""None that looks like another: of 0 and O, 1, I and L, 2 and Z, 5 and S, 6 and G, 8 and B one at most."""
LENGTH = 6
NOTHING = "0"
"""What is typed where the camera reads nothing."""
TRIES = 2
"""A slip of the fingers is no fault of a camera."""


@dataclass(frozen=True, slots=True)
class Settings:
    place: str = "front"
    """Which camera, as the technician knows it: front, rear."""
    reader: str = "the unit's code reader"
    """What on the unit reads codes, as it is called there."""

    def __post_init__(self) -> None:
        if not all(text.isprintable() and 0 < len(text) <= 40 for text in (self.place, self.reader)):
            raise ValueError("place and reader are short printable texts")


class Code:
    declaration = ProbeDeclaration(
        name="camera.code",
        title="Code read by the unit's camera",
        what=(
            f"Shows a code (QR) of {LENGTH} letters on the terminal and asks what the unit reads in it with its "
            "own camera. Chance draws the letters each time and people cannot read the code, so that a picture "
            "must have been taken: sensor, lens and flex of a camera work well enough for a code. Whether the "
            "whole picture is sharp and free of stripes it does not show, nor that it was this camera and no "
            "other one. The unit needs a program that reads codes and shows what stands in them; nothing is read "
            "from the unit itself, so that it works with every host."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="code_read", kind="yes-no", what="Whether what was read is what was shown."),
            ReadingDeclaration(name="shown", kind="text", what="What stood in the code."),
            ReadingDeclaration(name="typed", kind="text", what="What the technician typed; 0 for nothing."),
        ),
        services=(),
        sources=("ISO/IEC 18004 (QR code)",),
        example="""\
[[checks]]
id = "front-code"
title = "Front camera reads a code"
probe = "camera.code"
settings = { place = "front", reader = "Tickets, Scan" }
limits = [{ reading = "code_read", is = true, source = "judgement" }]
""",
        cues=True,
        timeout=60.0,
    )

    def __init__(self, chance: random.Random | None = None) -> None:
        self._chance = chance

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue | Ask]:
        """Always possible; whether the terminal can show a code, it says itself."""
        chance = self._chance or chance_of(host, f"code/{settings.place}")
        shown = "".join(chance.choices(LETTERS, k=LENGTH))
        yield Cue(
            say=f"Open {settings.reader} on the unit and point the {settings.place} camera at this code.",
            code=shown,
        )
        for again in range(TRIES):
            ask = Ask(
                say=("That is not what stands in the code. " if again else "")
                + f"Which {LENGTH} letters and digits does the unit read? {NOTHING} if it reads nothing.",
                pattern=rf"[0-9A-Za-z]{{{LENGTH}}}|{NOTHING}",
                hint=f"{LENGTH} letters and digits, or {NOTHING}",
                about=f"code, {settings.place} camera",
            )
            yield ask
            if ask.answer.upper() in (shown, NOTHING):
                break
        typed, answer = ask.answer.upper(), "answer of the technician"
        yield Reading(name="code_read", value=typed == shown, origin=answer, exact=True)
        yield Reading(name="shown", value=shown, origin="drawn by chance", exact=True)
        yield Reading(name="typed", value=typed, origin=answer, exact=True)
