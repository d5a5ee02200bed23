"""An output heard by an input through a loop-back plug: level, distortion, channels, hum."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from verifier.errors import BenchFault
from verifier.gather.sound import SOUND, Recording, sound_of
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

if TYPE_CHECKING:
    from verifier.gather.tones.loop import Loop, Side
    from verifier.gather.tones.spectrum import Estimate

DECIBEL_STEP, HERTZ_STEP = 0.001, 0.0001
"""To what levels and frequencies are told."""
TRIES = 3
"""How often it is played at the most, where this computer lost samples on the way."""
_SIDE_READINGS: tuple[tuple[str, Literal["number", "yes-no"], str, str, bool], ...] = (
    ("arrives", "yes-no", "", "Whether the {} side's tone comes back.", False),
    ("level", "number", "dB", "Level of the {} side's tone where it comes back, dBFS.", True),
    ("thd_n", "number", "dB", "THD+N of the {} side: all but the tone over all, 20 Hz to 20 kHz.", True),
    ("thd_n_percent", "number", "%", "The same as a ratio of RMS values.", True),
    ("frequency", "number", "Hz", "The tone's frequency by the clock that recorded; 997 Hz was played.", True),
    ("crosstalk", "number", "dB", "The {} side's tone in the other input over that in its own; two inputs.", True),
    ("delay", "number", "ms", "From playing to recording, buffers included.", True),
    ("inverted", "yes-no", "", "Whether the {} side comes back with its polarity turned.", True),
    ("dropouts", "number", "1", "Places where the tone broke off or jumped.", True),
    ("clipped", "number", "1", "Samples at full scale, three or more in a row.", True),
)


@dataclass(frozen=True, slots=True)
class Settings:
    output: str = ""
    """Part of the output's name; the system's usual one where it is left out."""
    input: str = ""
    """Part of the input's name; the system's usual one where it is left out."""
    inputs: Literal[1, 2] = 2
    """Channels of the input: 1 for a mono input that hears both sides."""
    level: float = -6.0
    """Level of the tones in dBFS, −40 to 0: so that the input is not overdriven."""
    seconds: float = 2.0
    """How long each side's tone lasts, 1 to 30."""
    rate: int = 48_000
    """Samples a second, 44100 to 192000."""
    mains: Literal[50, 60] = 50
    """Frequency of the mains in hertz, for the hum."""

    def __post_init__(self) -> None:
        if self.inputs not in (1, 2) or self.mains not in (50, 60):
            raise ValueError("inputs is 1 or 2, mains is 50 or 60")
        if not (-40 <= self.level <= 0 and 1 <= self.seconds <= 30 and 44_100 <= self.rate <= 192_000):
            raise ValueError(
                "level lies between -40 and 0 dBFS, seconds between 1 and 30, rate between 44100 and 192000"
            )
        if not (len(self.output) <= 200 and len(self.input) <= 200):
            raise ValueError("output and input are parts of names")


def _declared() -> Iterator[ReadingDeclaration]:
    for side in ("left", "right"):
        for name, kind, unit, what, optional in _SIDE_READINGS:
            yield ReadingDeclaration(
                name=f"{side}_{name}", kind=kind, unit=unit, what=what.format(side), optional=optional
            )


class LoopBack:
    declaration = ProbeDeclaration(
        name="sound.loop",
        title="Sound, end to end",
        what=(
            "Plays chirps and a tone of 997 Hz on each side of a stereo output in turn, records through a "
            "loop-back plug, and tells what came back: level, distortion and noise, which side arrives where, "
            "crosstalk, hum, noise, gaps. Levels are dBFS by AES17: a sine wave whose peak reaches full scale is "
            "0 dB. THD+N leaves out the fundamental alone, found by a fit; the notch filter of AES17 also takes "
            "out some of the noise beside it, at most 0.4 dB of white noise, so that this figure is never the "
            "better one. The uncertainties are the scatter within the recording: what plug, volume setting and "
            "the other end of the plug add, the suite states. Set the volume of output and input first; the "
            "check changes none."
        ),
        settings=Settings,
        readings=(
            *_declared(),
            ReadingDeclaration(
                name="swapped",
                kind="yes-no",
                what="Whether left and right come back exchanged; with two inputs, when both arrive.",
                optional=True,
            ),
            ReadingDeclaration(
                name="noise", kind="number", unit="dB", what="Noise in silence, 20 Hz to 20 kHz, dBFS."
            ),
            ReadingDeclaration(
                name="hum", kind="number", unit="dB", what="Mains and nine harmonics of it, in silence, dBFS."
            ),
            ReadingDeclaration(
                name="offset", kind="number", unit="%", what="Largest DC offset of an input, of full scale."
            ),
        ),
        services=(SOUND,),
        privileges=("access to the sound card: on Debian, the group audio",),
        sources=(
            "AES17 (full scale, level, THD+N at 997 Hz, band 20 Hz to 20 kHz)",
            "IEEE Std 1057 (four-parameter fit of a sine wave)",
            "JCGM 100:2008, 4.2.3 (uncertainty from scatter)",
        ),
        example="""\
[[checks]]
id = "headset-loop"
title = "Headset socket, loop-back plug fitted"
probe = "sound.loop"
settings = { inputs = 1, level = -12.0 }
covers = ["headset"]
limits = [
  { reading = "left_arrives", is = true, source = "maker" },
  { reading = "right_arrives", is = true, source = "maker" },
  { reading = "left_thd_n", at_most = -60, unit = "dB", source = "study 2026-08, 30 good units" },
  { reading = "hum", at_most = -70, unit = "dB", source = "judgement" },
]
""",
        holds=(SOUND,),
        timeout=300.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such an output or input; NotPossible where they cannot be used so; BenchFault
        where this computer lost samples."""
        sound = sound_of(host)
        from verifier.gather.tones.loop import heard
        from verifier.gather.tones.stimulus import stimulus

        played = stimulus(settings.rate, settings.level, settings.seconds)
        for _ in range(TRIES):
            recording: Recording = await sound.play_and_record(
                played.frames, settings.rate, (settings.output, settings.input), settings.inputs
            )
            if recording.lost:
                continue
            try:
                found = heard(played, recording.frames, float(settings.mains))
            except ValueError as error:
                raise BenchFault(f"the sound card gave no whole recording: {error}") from None
            if found.whole:
                break
        else:
            raise BenchFault(
                f"sound was lost between this computer and its card, {TRIES} times",
                to_do="Let nothing else run meanwhile. Where a sound server stands between, give the rate of its "
                "card in the check's settings: at another one it has to make samples up.",
            )
        for reading in _readings(found, recording.way, 1000 / settings.rate):
            yield reading


def _readings(found: Loop, way: str, step: float) -> Iterator[Reading]:
    """`step` is what delays are told to, in milliseconds."""
    for name, side in zip(("left", "right"), found.sides, strict=True):
        yield from _of_side(name, side, f"{way}, input {side.input + 1}", step)
    if found.swapped is not None:
        yield Reading(name="swapped", value=found.swapped, origin=way, exact=True)
    yield _number("noise", found.noise, "dB", way)
    yield _number("hum", found.hum, "dB", way, note="noise between the harmonics")
    yield Reading(name="offset", value=100 * found.offset, unit="%", origin=way, exact=True)


def _of_side(name: str, side: Side, origin: str, step: float) -> Iterator[Reading]:
    yield Reading(name=f"{name}_arrives", value=side.arrived, origin=origin, exact=True)
    if not side.arrived:
        return
    yield _number(f"{name}_level", side.level, "dB", origin)
    if side.distorted is not None:
        yield _number(f"{name}_thd_n", side.distorted.thd_n, "dB", origin)
        yield _number(f"{name}_thd_n_percent", side.distorted.percent, "%", origin)
        tone = side.distorted.tone
        spread = Contribution(basis=Basis.REPEATS, u=tone.u_frequency, note="noise beside the tone (IEEE 1057)")
        yield _rounded(f"{name}_frequency", tone.frequency, "Hz", origin, HERTZ_STEP, spread)
    if side.crosstalk is not None:
        yield _number(f"{name}_crosstalk", side.crosstalk, "dB", origin)
    if side.delay is not None and side.inverted is not None:
        one = Contribution.resolution(step, note="one sample")
        yield Reading(
            name=f"{name}_delay", value=1000 * side.delay, unit="ms", origin=origin, contributions=(one,)
        )
        yield Reading(name=f"{name}_inverted", value=side.inverted, origin=origin, exact=True)
    for what, count in (("dropouts", side.dropouts), ("clipped", side.clipped)):
        yield Reading(name=f"{name}_{what}", value=count, unit="1", origin=origin, exact=True)


def _number(
    name: str, estimate: Estimate, unit: str, origin: str, note: str = "eight parts of the recording"
) -> Reading:
    spread = Contribution(basis=Basis.REPEATS, u=estimate.u, dof=estimate.dof, note=f"scatter of {note}")
    step = DECIBEL_STEP
    if unit == "%":
        # The same step as of the decibels that it is: a thousandth of one is a ratio of 1.000115.
        step = 10.0 ** (math.floor(math.log10(estimate.value)) - 4)
    return _rounded(name, estimate.value, unit, origin, step, spread)


def _rounded(name: str, value: float, unit: str, origin: str, step: float, spread: Contribution) -> Reading:
    """More digits than these no card's gain and clock hold while it is read."""
    return Reading(
        name=name,
        value=float(Decimal(round(value / step)) * Decimal(f"{step:g}")),
        unit=unit,
        origin=origin,
        contributions=(spread, Contribution.resolution(step)),
    )
