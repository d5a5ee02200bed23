"""A plan: the suite and the order of this one repair, and what they ask of the run."""

from __future__ import annotations

from dataclasses import dataclass

from verifier.declare.coverage import disturbed_joints
from verifier.declare.order import RepairOrder
from verifier.declare.suite import Suite
from verifier.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a run sets out to do. `suite_text` is the file as read: the record carries it."""

    suite: Suite
    suite_text: str
    suite_sha256: str
    order: RepairOrder
    disturbed: tuple[str, ...] = ()
    """Joints that this repair disturbed, in the suite's order."""


def make_plan(suite: Suite, suite_text: str, suite_sha256: str, order: RepairOrder) -> Plan:
    """The plan of one repair. InputError when the order is for another model or names unknown parts."""
    if order.model is not None and order.model != suite.model:
        raise InputError(
            f"the order is for model {order.model}, the suite for {suite.model}",
            to_do="Take the suite of that model, or mend the order.",
        )
    for replaced in order.replaced:
        if replaced.part not in suite.parts:
            raise InputError(
                f"the order replaced {replaced.part!r}, which the suite of {suite.model} does not have",
                to_do=f"It has: {', '.join(suite.parts) or 'no parts'}.",
            )
    return Plan(
        suite=suite,
        suite_text=suite_text,
        suite_sha256=suite_sha256,
        order=order,
        disturbed=disturbed_joints(suite, (replaced.part for replaced in order.replaced)),
    )
