"""The bench beside a simulated unit: its time is the true one, give or take what a network adds."""

from __future__ import annotations

from verifier.gather.simulated.chance import chance
from verifier.readings import Basis, Contribution
from verifier.services import Clocks, Fix

WITHIN = 0.001
"""Firm bounds of one simulated exchange, in s."""


class SimulatedReference:
    """Serves as the service `reference`."""

    def __init__(self, seed: int, clocks: Clocks) -> None:
        self._seed, self._clocks = seed, clocks

    async def network(self, server: str, port: int) -> Fix:
        return self._fix(f"simulated time server {server[:200]}")

    async def peer(self, name: str) -> Fix:
        return self._fix(f"simulated far end {name}")

    def _fix(self, origin: str) -> Fix:
        now = self._clocks.loop()
        off = chance(self._seed, "reference", round(now, 3)).uniform(-WITHIN, WITHIN)
        known = Contribution.half_width(WITHIN, basis=Basis.SPECIFICATION, note="half the simulated round trip")
        return Fix(at=now, time=self._clocks.wall() + off, contributions=(known,), origin=origin)
