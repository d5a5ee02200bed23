"""How many fasteners of a type a repair has to put back."""

from __future__ import annotations

from verifier.declare.coverage import taken_out
from verifier.declare.order import RepairOrder
from verifier.declare.suite import Suite

ORDER_PROBE = "order.fasteners"
"""The probe that reads the repair order's counts."""


def fastener_types(suite: Suite) -> tuple[str, ...]:
    """The types that hold a part of this model, in the suite's order."""
    return tuple(dict.fromkeys(kind for part in suite.parts.values() for kind in part.fasteners))


def due(suite: Suite, order: RepairOrder, kind: str) -> int:
    """How many of that type hold the parts that were out: replaced ones and those in their way."""
    out = taken_out(suite, (replaced.part for replaced in order.replaced))
    return sum(suite.parts[part].fasteners.get(kind, 0) for part in out)


def uncounted(suite: Suite, order: RepairOrder) -> list[str]:
    """Types that a check wants counted and this repair took out, and that the order leaves out."""
    asked = {str(check.settings.get("type")) for check in suite.checks if check.probe == ORDER_PROBE}
    return [k for k in fastener_types(suite) if k in asked and k not in order.fasteners and due(suite, order, k)]
