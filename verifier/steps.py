"""What a probe is, and what it may yield beside readings: wishes to whoever consumes it, who has a screen."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any, Literal, Protocol, runtime_checkable

from verifier.readings import ProbeDeclaration, Reading, SoFar
from verifier.services import Host

Act = Literal[
    "", "press", "move", "let go", "pull", "put in", "turn over", "load", "minute mark", "charge", "uncharge",
    "wipe", "lay", "undock", "dock", "fill",
]  # fmt: skip
"""What hands do to a unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """What a probe wants the technician to do now, while it watches. A probe that yields one goes on when it has
    been shown; whoever consumes the probe shows it, so that no probe needs a screen."""

    say: str
    """What to do, as the technician reads it."""
    wait: bool = False
    """True where the probe goes on only when the technician says that it is done. Not of the probe's deadline."""
    act: Act = ""
    """What is done, for a simulated unit, to which it is then done; empty where there is nothing for hands to
    do."""
    at: str = ""
    """With which socket, as the kernel calls it; which key, by its code; on which side."""
    code: str = ""
    """Text that is shown as a code for the unit's camera. It stands in no journal."""


AIR = "air temperature"
"""What a question is about that asks for the temperature of the air beside the unit, in Cel."""


POWER_AWAY = "power away"
"""What a question is about that asks for how many seconds all power was away."""
MINUTE = "minute"
"""What a question is about that asks which minute began when a key was pressed."""


@dataclass(slots=True, kw_only=True)
class Ask:
    """A question of a probe that declares `cues`. Whoever consumes the probe puts the answer in before going
    on."""

    say: str
    """The question, as the technician reads it."""
    pattern: str
    """What an answer looks like, as a pattern of the suite's kind, in full."""
    hint: str
    """The same in words, such as "seconds" or "YYYY-MM-DD hh:mm"."""
    about: str = ""
    """What it is about, for a scripted technician."""
    answer: str = ""


@dataclass(slots=True, kw_only=True)
class Consult:
    """A reading that a probe wants of the bench's instruments. Whoever consumes the probe puts it in, or
    raises."""

    probe: str
    """The probe that takes it, such as instrument.time."""
    instrument: str
    given: Reading | None = None
    boot: float | None = None
    """When it was given, in seconds of CLOCK_BOOTTIME, which all processes here share; a probe may get it late."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """What a probe that declares `pauses` yields last, when the run has to stand still: the power goes away. It is
    taken up again by `go_on`, in another process, maybe after another start of this computer."""

    why: str
    """In a few words, for the list of runs: "the power is to be away for 10 min"."""
    say: str
    """What to do meanwhile, as the technician reads it."""
    seconds: float
    """How long it takes at least; simulated time jumps by so much."""


@dataclass(slots=True, kw_only=True)
class Look:
    """What a probe that declares `looks` has so far, where it may end early. Whoever consumes the probe says,
    before it goes on, whether these readings are enough to decide the check."""

    readings: tuple[Reading, ...]
    enough: bool = False


Step = Reading | Cue | Ask | Consult | Look | Pause
"""What a probe may yield."""


class Probe(Protocol):
    """A plug-in that takes readings, with no opinion on them.

    `take` yields readings one by one and raises `Absent`, `NotPossible` or `BenchFault` to say what it met.
    One that declares `cues` yields cues too, one that declares `pauses` is `Resuming`.
    """

    @property
    def declaration(self) -> ProbeDeclaration: ...

    def take(self, host: Host, settings: Any) -> AsyncIterator[Step]: ...


@runtime_checkable
class Resuming(Protocol):
    """A probe that spans a pause of the run."""

    def go_on(self, host: Host, settings: Any, so_far: SoFar) -> AsyncIterator[Step]:
        """As `take`, after the pause: gives the readings that are still missing, or lets the run pause again."""
        ...
