"""Runs probes behind a simulated host in the engine's own process, under deadlines in its own time."""

from __future__ import annotations

import math
from collections.abc import AsyncGenerator, Mapping
from contextlib import aclosing
from typing import Any

import anyio

from verifier.errors import BenchFault, NotPossible
from verifier.gather.catalogue import ProbeCatalogue
from verifier.gather.workers.running import run_probe
from verifier.gather.workers.wire import LINE_LIMIT, TAKE_LIMIT, encode, pack
from verifier.readings import ProbeDeclaration, Reading
from verifier.services import Cue, Host


class SimulatedTaker:
    """Stands beside the worker pool and holds probes to the same rules.

    One thing it cannot do: end a probe that computes without ever waiting.
    """

    def __init__(self, host: Host, catalogue: ProbeCatalogue) -> None:
        self._host, self._catalogue = host, catalogue

    async def take(
        self,
        probe: str,
        settings: Mapping[str, Any],
        host_address: str,
        *,
        declaration: ProbeDeclaration,
        deadline: float,
    ) -> AsyncGenerator[Reading | Cue]:
        """Readings and cues, as `WorkerPool.take` gives them; `deadline` is in seconds of the host's time."""
        if not host_address.startswith("simulated"):
            raise NotPossible(f"{probe} is to be read at {host_address[:100]}, which is no simulated unit")
        left, size = deadline, 0
        async with aclosing(run_probe(self._catalogue.probe(probe), self._host, settings)) as readings:
            while True:
                began = anyio.current_time()
                # Around each wait by itself: a cancel scope may not stay open across a yield.
                with anyio.move_on_after(max(0.0, left) if math.isfinite(left) else 0.0) as scope:
                    reading = await anext(readings, None)
                if scope.cancelled_caught:
                    raise BenchFault(f"the probe {probe} was not done after {deadline:.3g} s, and was ended")
                if reading is None:
                    return
                left -= anyio.current_time() - began
                if isinstance(reading, Cue):
                    yield reading
                    continue
                line = len(encode(pack(reading)))
                size += line
                if line > LINE_LIMIT or size > TAKE_LIMIT:
                    raise BenchFault(f"the probe {probe} gave more than can be kept, and was ended")
                yield reading
