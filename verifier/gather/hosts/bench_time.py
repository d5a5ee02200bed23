"""The bench's own ways to the time, by the loop clock: setting this computer's clock does not show in them."""

from __future__ import annotations

import os
import time

from verifier.errors import BenchFault
from verifier.gather.hosts.local_net import LocalNet
from verifier.gather.timekeeping import round_trip
from verifier.readings import Basis, Contribution
from verifier.services import Clocks, Fix

EXCHANGES = 8
"""Exchanges of times, of which the quickest counts."""
NOT_BEFORE = 1_767_225_600.0
"""2026-01-01: less is wrong, and differences of NTP times reach no further than 68 years (RFC 5905, section 6)."""


class _LoopAsWall:
    """The loop clock, counted from a time that is right to some decades.

    The far end is asked in a thread, where no loop can be asked for its time: the monotonic clock is taken, by
    which all loops count, each from a beginning of its own.
    """

    def __init__(self, clocks: Clocks) -> None:
        self._clocks = clocks
        self._differ = clocks.loop() - time.monotonic()
        self.anchor = max(clocks.wall(), NOT_BEFORE) - clocks.loop()

    def loop(self) -> float:
        return self._clocks.loop()

    def boot(self) -> float:
        return self._clocks.boot()

    def boot_id(self) -> str:
        return self._clocks.boot_id()

    def wall(self) -> float:
        return time.monotonic() + self._differ + self.anchor

    async def sleep(self, seconds: float) -> None:
        await self._clocks.sleep(seconds)


class BenchTime:
    """Serves as the service `reference` of every host that a bench stands beside."""

    def __init__(self, clocks: Clocks) -> None:
        self._counted = _LoopAsWall(clocks)

    async def network(self, server: str, port: int) -> Fix:
        from verifier.gather.probes.network_time import Sample, request, sample

        net = LocalNet(self._counted)
        address = await net.resolve(server)
        samples: list[tuple[Sample, float]] = []
        refused = "it does not answer"
        for _ in range(EXCHANGES):
            token = os.urandom(8)
            exchange = await net.exchange(address, port, request(token), timeout=1.0)
            if exchange is None:
                if not samples:
                    break
                continue
            try:
                samples.append((sample(exchange, token), exchange.received))
            except ValueError as error:
                refused = str(error)
        if not samples:
            raise BenchFault(f"the time server {server[:200]} gives no time: {refused}")
        best, received = min(samples, key=lambda s: s[0].delay)
        root = Contribution.half_width(
            best.root, basis=Basis.SPECIFICATION, note="what the server says of itself (RFC 5905, 11.1)"
        )
        return self._fix(received, received + best.offset, best.delay, f"bench: SNTP, {address} port {port}", root)

    async def peer(self, name: str) -> Fix:
        far_end = await LocalNet(self._counted).far_end(name)
        try:
            samples = [await far_end.time() for _ in range(EXCHANGES)]
        finally:
            await far_end.aclose()
        best = min(samples, key=lambda s: s.delay)
        return self._fix(best.t4, best.t4 + best.offset, max(best.delay, 0.0), f"bench: {far_end.where}")

    def _fix(self, counted: float, true: float, delay: float, origin: str, *more: Contribution) -> Fix:
        """`counted` is the moment by the counted wall; half the round trip bounds the error of the offset."""
        known = (round_trip.half_of(delay), *more)
        return Fix(at=counted - self._counted.anchor, time=true, contributions=known, origin=origin)
