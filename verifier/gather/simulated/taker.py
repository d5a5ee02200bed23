"""Runs probes behind a simulated host in the engine's own process, under deadlines in its own time."""

from __future__ import annotations

import math
from collections.abc import AsyncGenerator, Mapping
from contextlib import aclosing
from datetime import UTC, datetime
from typing import Any

import anyio

from verifier.errors import BenchFault, NotPossible
from verifier.gather.catalogue import ProbeCatalogue
from verifier.gather.simulated.host import SimulatedHost
from verifier.gather.workers.running import run_probe
from verifier.gather.workers.wire import LINE_LIMIT, TAKE_LIMIT, encode, pack
from verifier.readings import ProbeDeclaration, Reading, SoFar
from verifier.services import Host
from verifier.steps import MINUTE, POWER_AWAY, Ask, Cue, Pause, Step


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
        so_far: SoFar | None = None,
    ) -> AsyncGenerator[Step]:
        """As `WorkerPool.take`; `deadline` is in seconds of the host's time, without the pauses.

        A pause of the run takes no more here than its own time: the supply is cut for that long, and the take goes
        on.
        """
        if not host_address.startswith("simulated"):
            raise NotPossible(f"{probe} is to be read at {host_address[:100]}, which is no simulated unit")
        left, size, given = deadline, 0, [] if so_far is None else list(so_far.readings)
        while True:
            pause: Pause | None = None
            went_on = SoFar(readings=tuple(given)) if given else None
            async with aclosing(run_probe(self._catalogue.probe(probe), self._host, settings, went_on)) as steps:
                while pause is None:
                    began = anyio.current_time()
                    # Around each wait by itself: a cancel scope may not stay open across a yield.
                    with anyio.move_on_after(max(0.0, left) if math.isfinite(left) else 0.0) as scope:
                        step = await anext(steps, None)
                    if scope.cancelled_caught:
                        raise BenchFault(f"the probe {probe} was not done after {deadline:.3g} s, and was ended")
                    if step is None:
                        return
                    left -= anyio.current_time() - began
                    if isinstance(step, Pause):
                        pause = step
                        continue
                    if isinstance(step, Ask) and (known := self._known(step.about)):
                        step.answer = known  # whoever sits there had nothing to do, and no clock to look at
                        continue
                    if isinstance(step, Reading):
                        line = len(encode(pack(step)))
                        size += line
                        if line > LINE_LIMIT or size > TAKE_LIMIT:
                            raise BenchFault(f"the probe {probe} gave more than can be kept, and was ended")
                        given.append(step)
                    yield step
            if not pause.seconds > 0:
                raise BenchFault(pause.why)  # nobody mends anything in between: it would be the same for ever
            if declaration.cues:
                yield Cue(say=f"{pause.say}\n(Simulated: it is done for you, in simulated time.)")
            await self._cut_supply(pause.seconds)

    async def _cut_supply(self, seconds: float) -> None:
        begun = self._host.clocks.boot()
        await self._host.clocks.sleep(seconds)
        if isinstance(self._host, SimulatedHost):
            self._host.state.cuts.append((begun, self._host.clocks.boot()))

    def _known(self, about: str) -> str:
        """The answer to what only simulated time tells; empty where it does not."""
        state = self._host.state if isinstance(self._host, SimulatedHost) else None
        if state is not None and about == POWER_AWAY and state.cuts:
            begun, ended = state.cuts[-1]
            return f"{int(ended - begun)}"
        if state is not None and about == MINUTE and state.minute:
            return f"{datetime.fromtimestamp(state.minute, UTC):%Y-%m-%d %H:%M}"
        return ""
