"""Runs the probes that read the repair order: in the engine's own process, since it has the order."""

from __future__ import annotations

from collections.abc import AsyncGenerator, Mapping
from typing import Any

from verifier.declare.plan import Plan
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts.order import OrderHost
from verifier.gather.probes.cure import Cured
from verifier.gather.probes.order import Fasteners
from verifier.gather.workers.running import run_probe
from verifier.readings import ProbeDeclaration, SoFar
from verifier.steps import Step

_PROBES: dict[str, type[Fasteners | Cured]] = {kind.declaration.name: kind for kind in (Fasteners, Cured)}


class OrderTaker:
    """Serves as `Taker` for probes that need the service `order`; whatever the host of the run is."""

    def __init__(self, plan: Plan) -> None:
        self._host = OrderHost(plan, RealClocks())

    async def take(
        self,
        probe: str,
        settings: Mapping[str, Any],
        host_address: str,
        *,
        declaration: ProbeDeclaration,
        deadline: float,
        so_far: SoFar | None = None,
    ) -> AsyncGenerator[Step]:
        async for reading in run_probe(_PROBES[probe](), self._host, settings):
            yield reading
