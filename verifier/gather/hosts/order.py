"""The repair order of a run, as a host of its own: what it says is read from the plan, not from the unit."""

from __future__ import annotations

from verifier.declare.plan import Plan
from verifier.errors import NotPossible
from verifier.services import Clocks, Commands, Files

ORDER = "order"
"""The service that a probe needs which reads the order; no other host has it."""


class OrderHost:
    """Has neither files nor commands, so that nothing read here can come from a machine."""

    address = ORDER
    services = frozenset({ORDER})

    def __init__(self, plan: Plan, clocks: Clocks) -> None:
        self.plan, self.clocks = plan, clocks

    @property
    def files(self) -> Files:
        raise NotPossible("a repair order has no files")

    @property
    def commands(self) -> Commands:
        raise NotPossible("a repair order runs no commands")
