"""Listening: the unit plays a number of beeps that chance draws, and the technician says how many."""

from __future__ import annotations

import random
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import Literal

from verifier.errors import Absent, NotPossible
from verifier.gather.probes import counted
from verifier.gather.sound import SOUND, sound_of
from verifier.readings import ProbeDeclaration, Reading
from verifier.services import Host, chance_of
from verifier.steps import Ask, Cue

RATE = 48_000
FREQUENCY = 997.0
BEEP, SILENCE = 0.2, 0.4
"""Seconds of a beep and of what lies between two."""
RAMP = 0.01
COMMAND_LIMIT = 10.0
"""Seconds that the command for one beep may take."""
_SIDES = {"left": " on the left side", "right": " on the right side", "both": ""}


@dataclass(frozen=True, slots=True)
class Settings:
    side: Literal["both", "left", "right"] = "both"
    """On which side of a stereo output."""
    level: float = -12.0
    """Level of the beeps in dBFS, −60 to 0."""
    output: str = ""
    """Part of the output's name; the system's usual one where it is left out."""
    command: list[str] = field(default_factory=list)
    """A command of the unit that makes one beep, as a list of words: for units reached over SSH. Side, level and
    output are then its own affair."""
    label: str = ""
    """What is to be listened to, as the technician knows it, such as "the headset on port 9"."""

    def __post_init__(self) -> None:
        if self.side not in _SIDES or not -60 <= self.level <= 0:
            raise ValueError("side is both, left or right, level lies between -60 and 0 dBFS")
        if not (self.label.isprintable() and len(self.label) <= 100 and len(self.output) <= 200):
            raise ValueError("label and output are short printable texts")
        if not all(isinstance(word, str) and word.isprintable() and len(word) <= 500 for word in self.command):
            raise ValueError("command is a list of printable words")


class Beeps:
    declaration = ProbeDeclaration(
        name="sound.beeps",
        title="Beeps, counted by ear",
        what=(
            "Plays 3 to 9 beeps, as chance has it, and asks the technician how many they were: that cannot be "
            "answered without listening. The number stands nowhere before the answer. A guess is right once in "
            'seven: repeat = { times = 2, pool = "worst" } makes that once in 49. Played by the host\'s own sound '
            "(this computer, with the extra audio), or by a command of the unit that the suite gives. What it "
            "sounds like is not asked; sound.loop measures that."
        ),
        settings=Settings,
        readings=counted.READINGS,
        services=("commands",),
        privileges=("access to the sound card: on Debian, the group audio",),
        sources=("AES17 (997 Hz, dBFS)",),
        example="""\
[[checks]]
id = "headset-left"
title = "Headset is heard on the left"
probe = "sound.beeps"
settings = { side = "left", label = "the headset on port 9" }
covers = ["headset"]
limits = [{ reading = "counted_right", is = true, source = "judgement" }]
""",
        holds=(SOUND,),
        cues=True,
        timeout=120.0,
    )

    def __init__(self, chance: random.Random | None = None) -> None:
        self._chance = chance

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue | Ask]:
        """Raises Absent without an output; NotPossible where nothing can be played."""
        if not settings.command:
            await _by_sound(
                host, settings, 0
            )  # wakes the output, and tells before anybody listens that there is one
        what = settings.label or "the unit's sound"
        yield Cue(say=f"Listen to {what}{_SIDES[settings.side]} and count the beeps.", wait=True)
        number = counted.drawn(self._chance or chance_of(host, f"beeps/{settings.label}"))
        if settings.command:
            await _by_command(host, settings.command, number)
            origin = " ".join(settings.command)
        else:
            origin = await _by_sound(host, settings, number)
        ask = Ask(
            say="How many beeps did you hear? 0 if there were none.",
            pattern=counted.ANSWER,
            hint="a number",
            about="beeps",
        )
        yield ask
        for reading in counted.readings(number, ask.answer, origin):
            yield reading


async def _by_command(host: Host, command: list[str], number: int) -> None:
    for _ in range(number):
        try:
            result = await host.commands.run(*command, timeout=COMMAND_LIMIT)
        except Absent as error:  # a tool that is missing is no fault of the sound
            raise NotPossible(error.what) from None
        if result.exit != 0:
            raise NotPossible(f"{command[0]} could not make a beep: it ended with exit code {result.exit}")
        await host.clocks.sleep(SILENCE)


async def _by_sound(host: Host, settings: Settings, number: int) -> str:
    import numpy as np

    beep = np.sin(2 * np.pi * FREQUENCY / RATE * np.arange(round(BEEP * RATE)))
    ramp = np.linspace(0, 1, round(RAMP * RATE))
    beep[: len(ramp)] *= ramp
    beep[len(beep) - len(ramp) :] *= ramp[::-1]
    one = np.concatenate((beep, np.zeros(round(SILENCE * RATE)))) * 10 ** (settings.level / 20)
    line = np.concatenate((np.zeros(round(SILENCE * RATE)), np.tile(one, number)))
    frames = np.zeros((len(line), 2))
    frames[:, {"left": [0], "right": [1], "both": [0, 1]}[settings.side]] = line[:, None]
    return await sound_of(host).play(frames, RATE, settings.output)
