"""Runs the probes that read instruments: in the engine's own process, since the ports are in one of their own."""

from __future__ import annotations

import math
from collections.abc import AsyncGenerator, Awaitable, Callable, Mapping
from contextlib import aclosing
from typing import Any

import anyio

from verifier.errors import BenchFault, NotPossible, VerifierError
from verifier.gather.catalogue import ProbeCatalogue
from verifier.gather.instruments.bench import InstrumentHost, StationInstruments
from verifier.gather.instruments.ceilings import refuse_beyond
from verifier.gather.instruments.services import energises, instruments_of
from verifier.gather.workers.running import run_probe
from verifier.readings import ProbeDeclaration, SoFar
from verifier.services import Clocks
from verifier.steps import Step


class InstrumentTaker:
    """Serves as `Taker` for probes that need the service `instruments`.

    `clear` asks whether hands are clear, where that has to be asked; it raises NotPossible when they are not.
    What a take switched on is made safe when it ends, however it ends.
    """

    def __init__(
        self,
        bench: StationInstruments,
        catalogue: ProbeCatalogue,
        clocks: Clocks,
        clear: Callable[[str], Awaitable[None]],
    ) -> None:
        self._bench, self._catalogue, self._clocks, self._clear = bench, catalogue, clocks, clear

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
        """Readings of one take, as `WorkerPool.take` gives them; `deadline` in seconds, without the asking."""
        kind = host_address.partition(":")[0]
        if (kind == "simulated") is not self._bench.simulated or kind == "recorded":
            raise NotPossible(f"the instruments of this bench see no {kind} unit")
        names = instruments_of(settings)
        for name in names:
            self._bench.refuse_overdue(name)
        refuse_beyond(declaration, settings, self._bench.instruments)
        if energises(declaration, settings):
            await self._clear(" and ".join(names))
        await self._bench.ready()
        left = deadline if math.isfinite(deadline) else 0.0
        host = InstrumentHost(self._bench, self._clocks, left, beside_unit=kind != "local")
        try:
            async with aclosing(run_probe(self._catalogue.probe(probe), host, settings)) as readings:
                while True:
                    began = anyio.current_time()
                    # Around each wait by itself: a cancel scope may not stay open across a yield.
                    with anyio.move_on_after(max(0.0, left)) as scope:
                        reading = await anext(readings, None)
                    if scope.cancelled_caught:
                        raise BenchFault(f"{' and '.join(names)}: {probe} was not done after {deadline:.3g} s")
                    if reading is None:
                        break
                    left -= anyio.current_time() - began
                    yield reading
        except VerifierError as error:
            if (problem := await self._safe(names)) is not None:
                raise BenchFault(f"{error.what.rstrip('.')}; and {problem.what}", to_do=problem.to_do) from None
            raise
        except BaseException:
            await self._safe(names)  # what cannot be made safe is told by whoever ends the sitting
            raise
        if (problem := await self._safe(names)) is not None:
            raise problem

    async def _safe(self, names: list[str]) -> BenchFault | None:
        """Make safe whatever of these was switched on; the first that could not be."""
        problem: BenchFault | None = None
        with anyio.CancelScope(shield=True):
            for name in names:
                if name not in self._bench.switched_on:
                    continue
                try:
                    await self._bench.make_safe(name)
                except VerifierError as error:
                    problem = problem or BenchFault(f"could not be made safe: {error.what}", to_do=error.to_do)
        return problem
