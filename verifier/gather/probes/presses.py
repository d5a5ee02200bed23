"""From key events to presses, and from presses to what was asked: pure functions.

Three lengths of time keep apart what looks alike: the contacts of one push bounce within milliseconds, one
push that registers twice does so before a second push is possible to want, and nobody answers a cue within a
tenth of a second.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from verifier.readings import Reading
from verifier.services import KeyEvent

BOUNCE = 0.05
"""Seconds: contacts that open and close again within it bounced. Of 18 switches the worst took 6.2 ms (Ganssle,
A Guide to Debouncing; from memory); nobody lifts and presses a finger as fast as this (judgement)."""
DOUBLED = 0.5
"""Seconds after a press within which another one is taken for the same push (judgement)."""
FASTEST = 0.1
"""Seconds: what comes sooner after a cue does not answer it (athletics takes the same figure; from memory)."""
VISIBLE_HOLD = 0.005
"""Seconds: where no press lasts as long, press and release are reported together (drivers/acpi/button.c)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Press:
    at: float
    """When it was seen, in seconds of the watch."""
    held: float | None
    """Seconds until it was let go; None where that was not seen."""
    bounces: int = 0


@dataclass(slots=True)
class _Open:
    seen: float
    began: float
    edge: float
    released: float | None = None
    bounces: int = 0
    counts: bool = True


def presses_of(events: Iterable[KeyEvent], *, bounce: float = BOUNCE) -> list[Press]:
    """Presses in the order they were seen. A push that two devices report is one press."""
    found: list[_Open] = []
    latest: dict[tuple[str, int], _Open] = {}
    for event in events:
        key = (event.device, event.code)
        mine = latest.get(key)
        if event.value == 0:
            if mine is not None and mine.released is None:
                mine.released = mine.edge = event.at
        elif event.value == 1:
            if mine is not None and 0 <= event.at - mine.edge <= bounce:
                mine.bounces += 1
                mine.edge, mine.released = event.at, None
                continue
            press = latest[key] = _Open(event.seen, event.at, event.at)
            press.counts = not any(
                other.counts and 0 <= event.seen - other.seen <= bounce
                for where, other in latest.items()
                if where != key
            )
            if press.counts:
                found.append(press)
    return [
        Press(at=p.seen, held=None if p.released is None else max(0.0, p.released - p.began), bounces=p.bounces)
        for p in found
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """How often each thing happened. Answered in time, late and missed make up the cues."""

    in_time: int
    late: int
    missed: int
    doubled: int
    """Presses that followed another one too soon to be a push of their own."""
    unasked: int
    """Presses that no cue asked for."""


def matched(cues: Sequence[float], presses: Sequence[Press], *, patience: float) -> Matched:
    """Presses held against the moments at which they were asked for, both ascending and by the same clock.

    The first press between a cue and the next answers it: in time within `patience` seconds, else late.
    """
    in_time = late = missed = doubled = unasked = 0
    bounds = [-math.inf, *(cue + FASTEST for cue in cues), math.inf]
    before: Press | None = None
    for number, (begin, end) in enumerate(pairwise(bounds)):
        answered = number == 0  # nothing is asked before the first cue
        for press in presses:
            if not begin <= press.at < end:
                continue
            if before is not None and press.at - before.at <= DOUBLED:
                doubled += 1
            elif answered:
                unasked += 1
            else:
                answered = True
                if press.at <= cues[number - 1] + patience:
                    in_time += 1
                else:
                    late += 1
            before = press
        missed += not answered
    return Matched(in_time=in_time, late=late, missed=missed, doubled=doubled, unasked=unasked)


def demonstrated(trials: int, confidence: float = 0.95) -> float:
    """Share of successes that `trials` without a failure demonstrate: R = (1 − C)^(1/N).

    The success-run theorem, which is the exact binomial bound (Clopper and Pearson) at zero failures:
    10 give 0.741 at 95 %, 59 give 0.95. ValueError without a trial.
    """
    if trials < 1 or not 0 < confidence < 1:
        raise ValueError("it takes one trial at least, and a confidence between 0 and 1")
    return float((1 - confidence) ** (1 / trials))


def demonstration(trials: int) -> Reading:
    """The reading `demonstrated` of so many presses without a miss: rounded down, never more than they show."""
    return Reading(
        name="demonstrated",
        value=math.floor(1000 * demonstrated(trials)) / 10,
        unit="%",
        origin=f"no miss in {trials} presses: at least this share registers, at 95 % confidence",
        exact=True,
    )


def trials_needed(share: float, confidence: float = 0.95) -> int:
    """Trials without a failure that demonstrate a share: the least N with share^N ≤ 1 − C."""
    if not (0 < share < 1 and 0 < confidence < 1):
        raise ValueError("a share and a confidence lie between 0 and 1")
    needed = max(1, math.floor(math.log(1 - confidence) / math.log(share)))
    while share**needed > 1 - confidence:
        needed += 1
    return needed
