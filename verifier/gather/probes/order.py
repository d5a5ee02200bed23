"""What the repair order says, taken as readings so that limits can be held against it."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.declare.fasteners import ORDER_PROBE, due, fastener_types
from verifier.errors import Absent, NotPossible
from verifier.gather.hosts.order import ORDER, OrderHost
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

_COUNTS = (
    ("removed", "Taken out of the unit."),
    ("issued", "Drawn from stores."),
    ("fitted", "Put in."),
    ("discarded", "Thrown away: worn, bent, or to be used only once."),
    ("left", "Left over on the mat, or given back to stores."),
)


@dataclass(frozen=True, slots=True)
class FastenerSettings:
    type: str
    """The type of fastener, as parts and order name it, such as m3x6."""

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", self.type) or len(self.type) > 64:
            raise ValueError(f"{self.type[:100]!r} is no type of fastener, such as m3x6")


class Fasteners:
    declaration = ProbeDeclaration(
        name=ORDER_PROBE,
        title="Fasteners of the repair order",
        what=(
            "What the repair order counts of one type of fastener, and how many have to go in again: those that "
            "hold the parts that were out. Read from the order, not from the unit. Absent when this repair took "
            "out no part that such a fastener holds, so that if_absent says what that means; not run "
            "when it did and the order counts none."
        ),
        settings=FastenerSettings,
        readings=(
            *(ReadingDeclaration(name=name, kind="number", unit="1", what=what) for name, what in _COUNTS),
            ReadingDeclaration(
                name="due", kind="number", unit="1", what="What the parts that were out are held by, by the suite."
            ),
        ),
        services=(ORDER,),
        sources=("The repair order of the run and the parts of the suite; no standard",),
        example="""\
[[checks]]
id = "balance-m3x6"
title = "M3 × 6 screws: none missing, none lost inside"
stage = "finished"
probe = "order.fasteners"
settings = { type = "m3x6" }
if_absent = "not-fitted"
compute = { missing = "due - fitted", astray = "removed + issued - fitted - discarded - left" }
limits = [
  { reading = "missing", equals = 0, unit = "1", source = "judgement" },
  { reading = "astray", equals = 0, unit = "1", source = "judgement" },
]
""",
        timeout=5.0,
    )

    async def take(self, host: Host, settings: FastenerSettings) -> AsyncIterator[Reading]:
        """Raises Absent when the repair touched none; NotPossible when the order does not count them."""
        if not isinstance(host, OrderHost):
            raise NotPossible("the repair order is not read over a machine")
        plan, kind = host.plan, settings.type
        if kind not in fastener_types(plan.suite):
            raise NotPossible(f"no part of the suite is held by {kind}")
        counts = plan.order.fasteners.get(kind)
        needed = due(plan.suite, plan.order, kind)
        if counts is None:
            if needed:
                raise NotPossible(f"the repair order does not count {kind}, and {needed} were out in this repair")
            raise Absent(f"this repair took out nothing that {kind} holds")
        given = {**counts.model_dump(), "due": needed}
        for reading in self.declaration.readings:
            origin = "parts of the suite" if reading.name == "due" else f"repair order, fasteners.{kind}"
            yield Reading(name=reading.name, value=given[reading.name], unit="1", origin=origin, exact=True)
