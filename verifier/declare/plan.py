"""A plan: the suite and the order of this one repair, and what they ask of the run."""

from __future__ import annotations

from dataclasses import dataclass

from verifier.declare.order import RepairOrder
from verifier.declare.suite import Suite


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a run sets out to do. `suite_text` is the file as read: the record carries it."""

    suite: Suite
    suite_text: str
    suite_sha256: str
    order: RepairOrder
    disturbed: tuple[str, ...] = ()
    """Joints that this repair disturbed, in the suite's order."""
