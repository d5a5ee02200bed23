"""How long an adhesive or sealant of the repair order has cured, and not before that what needs it cured."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from verifier.errors import NotPossible
from verifier.gather.hosts.order import ORDER, OrderHost
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host
from verifier.steps import Ask, Cue

CURE_PROBE = "order.cured"
CLOCK = timedelta(minutes=15)
"""What a time of application that somebody wrote down is good to (judgement)."""


@dataclass(frozen=True, slots=True)
class Settings:
    consumable: str
    """Name of the adhesive, as the repair order has it."""
    hours: float
    """How long it has to cure, in hours, above 0 and at most 1000."""

    def __post_init__(self) -> None:
        if not (self.consumable.strip() and self.consumable.isprintable() and len(self.consumable) <= 200):
            raise ValueError("consumable is the name of one, as the repair order has it")
        if not 0 < self.hours <= 1000:
            raise ValueError("hours is above 0 and at most 1000")


class Cured:
    declaration = ProbeDeclaration(
        name=CURE_PROBE,
        title="Adhesive has cured",
        what=(
            "How long an adhesive has cured: since `applied` of that consumable in the repair order; where the "
            "order has only `opened`, since the end of that day; where it has neither, the technician is asked. "
            "Not run before the time is over, with the time from which it can be tested. Let what needs it cured "
            "come after this check."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="hours", kind="number", unit="h", what="How long it has cured."),
            ReadingDeclaration(name="since", kind="text", what="Where that time comes from."),
        ),
        services=(ORDER,),
        sources=("The repair order of the run; the time of curing is that of the adhesive's data sheet",),
        example="""\
[[checks]]
id = "seal-cured"
title = "Adhesive of the case has cured"
stage = "finished"
probe = "order.cured"
settings = { consumable = "case adhesive", hours = 12 }
limits = [{ reading = "hours", at_least = 12, unit = "h", source = "data sheet of the adhesive" }]
""",
        cues=True,
        timeout=600.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue | Ask]:
        """Raises NotPossible while it has not cured long enough."""
        if not isinstance(host, OrderHost):
            raise NotPossible("the repair order is not read over a machine")
        now = datetime.fromtimestamp(host.clocks.wall(), UTC)
        found = [c for c in host.plan.order.consumables if c.name.casefold() == settings.consumable.casefold()]
        # Of several the one that was applied last is what holds.
        moments = [c.applied for c in found if c.applied is not None]
        days = [datetime.combine(c.opened + timedelta(days=1), time(), UTC) for c in found if c.opened is not None]
        unknown = CLOCK
        if moments:
            began, since = max(moments), f"repair order, applied {max(moments):%Y-%m-%d %H:%M %Z}"
        elif days:
            began, since = max(days), "repair order, end of the day on which it was opened"
        else:
            question = Ask(
                say=f"The repair order does not say when the {settings.consumable} went on. How many hours ago?",
                pattern=r"\d{1,4}(\.\d)?",
                hint="hours, such as 14.5",
                about="hours",
            )
            yield question
            began = now - timedelta(hours=float(question.answer))
            since, unknown = "the technician, asked", timedelta(minutes=30)
        ready = began + timedelta(hours=settings.hours) + unknown
        if now < ready:
            raise NotPossible(
                f"the {settings.consumable} has not cured {settings.hours:g} h yet: it can be tested from "
                f"{ready + timedelta(seconds=59):%Y-%m-%d %H:%M} UTC",
                to_do="Leave the run open, and take this check again then.",
            )
        known = Contribution.half_width(
            unknown.total_seconds() / 3600,
            basis=Basis.STATEMENT,
            note="time of application, as it was written down",
        )
        hours = (now - began).total_seconds() / 3600
        yield Reading(name="hours", value=hours, unit="h", origin="repair order", contributions=(known,))
        yield Reading(name="since", value=since, origin="repair order", exact=True)
