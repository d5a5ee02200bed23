"""What an exchange of times gives: how far one clock is ahead of another, bounded by the round trip."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from verifier.readings import Basis, Contribution, Reading, ReadingDeclaration


class Exchanged(Protocol):
    """One exchange. Times in seconds."""

    @property
    def offset(self) -> float:
        """How far the other clock is ahead."""
        ...

    @property
    def delay(self) -> float: ...


def half_of(delay: float) -> Contribution:
    """The way there and back may differ: the offset is known within half of both together."""
    return Contribution.half_width(
        delay / 2, basis=Basis.SPECIFICATION, note="half the round trip (RFC 5905, section 8)"
    )


def declared(other: str) -> tuple[ReadingDeclaration, ...]:
    """The readings of `readings`; `other` is whose clock it is."""
    return (
        ReadingDeclaration(
            name="ahead",
            kind="number",
            unit="s",
            what=f"How far the system time is ahead of {other}; negative when behind.",
        ),
        ReadingDeclaration(name="delay", kind="number", unit="s", what="Round trip of that exchange."),
    )


def readings(best: Exchanged, origin: str, *more: Contribution) -> Iterator[Reading]:
    known = (half_of(best.delay), *more)
    yield Reading(name="ahead", value=-best.offset, unit="s", origin=origin, contributions=known)
    yield Reading(name="delay", value=best.delay, unit="s", origin=origin, exact=True)
