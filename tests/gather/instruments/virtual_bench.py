"""A bench in virtual time: a supply whose current follows a function, for probes that take minutes of waiting."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import anyio

from verifier.gather.clocks import RealClocks
from verifier.gather.instruments.bench import InstrumentHost
from verifier.gather.instruments.description import Accuracy, Instrument, Quantity
from verifier.gather.workers import run_probe
from verifier.readings import Reading
from verifier.steps import Cue, Probe

EXCHANGE = 0.005
"""Seconds that an exchange with an instrument takes."""


class VirtualClocks(RealClocks):
    now = 0.0

    def loop(self) -> float:
        return self.now


class VirtualBench:
    """Stands in for StationInstruments. `draws` gives the current at a moment of its clocks."""

    def __init__(self, draws: Callable[[float], float]) -> None:
        self.clocks, self.draws, self.on = VirtualClocks(), draws, False
        ranges = (Accuracy(of_reading=0.2, absolute=0.001, resolution=0.0001),)
        self._supply = Instrument(quantities={"current": Quantity(unit="A", ranges=ranges)})

    def described(self, name: str) -> Instrument:
        return self._supply

    def origin(self, name: str) -> str:
        return name

    async def identify(self, name: str) -> str:
        return ""

    async def wait(self, seconds: float) -> None:
        self.clocks.now += seconds

    async def switch_on(self, name: str, settings: Mapping[str, float], lease: float) -> float:
        self.on = True
        self.clocks.now += EXCHANGE
        return EXCHANGE

    async def measure(self, name: str, quantity: str, in_range: float | None = None) -> float:
        self.clocks.now += EXCHANGE
        return self.draws(self.clocks.now) if self.on else 0.0

    async def is_on(self, name: str) -> bool:
        return self.on

    async def still(self, name: str) -> None:
        assert self.on

    def take(self, probe: Probe, acts: Callable[[Cue], None], **settings: Any) -> dict[str, Reading]:
        """Readings by name; `acts` is given each cue."""
        host: Any = InstrumentHost(self, self.clocks, 3600.0)  # type: ignore[arg-type]

        async def go() -> dict[str, Reading]:
            found = dict[str, Reading]()
            async for one in run_probe(probe, host, settings):
                if isinstance(one, Cue):
                    acts(one)
                else:
                    found[one.name] = one
            return found

        return anyio.run(go)
