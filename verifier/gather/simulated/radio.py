"""The radios of a simulated unit: what its driver reports of the reference access point and the beacon."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Literal

from verifier.errors import Absent
from verifier.gather.radio import Advertisement, RadioEvent, RadioInterface, RadioNetwork, RadioRate, RadioStation
from verifier.gather.simulated.chance import chance, noise, spread
from verifier.gather.simulated.parts import Radio
from verifier.services import Clocks

SCAN = 3.0
"""Seconds that listening on all channels takes."""
_AWAY, _BACK = 0.4, 1.5
"""Seconds for which a link is lost, at least and at most."""


class Antennas:
    """What the chains of the radio receive of the reference access point."""

    def __init__(self, made_of: Radio, seed: int) -> None:
        self.made_of, self._seed = made_of, seed
        self._level = made_of.level + spread(seed, "radio", made_of.spread)

    def chains(self, at: float) -> list[float]:
        """Level of each chain in dBm, `at` seconds; never below the noise floor."""
        radio = self.made_of
        return [
            max(radio.floor, self._level - loss + noise(self._seed, f"chain {name}", at, radio.noise))
            for name, loss in radio.chains.items()
        ]

    def level(self, at: float) -> float:
        """All chains together, in dBm: their powers add up."""
        return 10 * math.log10(sum(10 ** (chain / 10) for chain in self.chains(at)))


class SimulatedRadio:
    """Serves as the service `radio`."""

    def __init__(self, antennas: Antennas, seed: int, clocks: Clocks) -> None:
        self._antennas, self._made_of, self._seed, self._clocks = antennas, antennas.made_of, seed, clocks

    async def interfaces(self) -> list[RadioInterface]:
        made_of = self._made_of
        if not made_of.seated:
            return []
        return [
            RadioInterface(
                name=made_of.interface,
                kind="station",
                network=made_of.network.encode(),
                frequency=made_of.frequency,
                antennas=len(made_of.chains),
            )
        ]

    async def stations(self, interface: str) -> list[RadioStation]:
        self._refuse_absent(interface)
        now, made_of = self._clocks.boot(), self._made_of
        if self._lost(now):
            return []
        levels = self._antennas.chains(now)
        # A chain that hears next to nothing carries no stream of its own.
        streams = max(1, sum(level > made_of.floor + 15 for level in levels))
        rate = RadioRate(
            megabits=made_of.megabits * streams / len(levels),
            mode="VHT",
            mcs=9,
            streams=streams,
            width=80,
            guard=0.4,
        )
        return [
            RadioStation(
                address=made_of.access_point,
                level=round(self._antennas.level(now)),
                level_average=round(self._antennas.level(now)),
                chains=dict(enumerate(map(round, levels))),
                sent=rate,
                received=rate,
                retries=int(now * made_of.retries_per_second),
                failed=0,
                beacons_lost=0,
                connected=int(now),
                silent=20,
                authorised=True,
            )
        ]

    async def scan(self, interface: str) -> list[RadioNetwork]:
        self._refuse_absent(interface)
        await self._clocks.sleep(SCAN)
        made_of, level = self._made_of, self._antennas.level(self._clocks.boot())
        if level <= made_of.floor + 5:
            return []
        return [
            RadioNetwork(
                address=made_of.access_point,
                network=made_of.network.encode(),
                frequency=made_of.frequency,
                level=round(level),
                age=200,
            )
        ]

    @asynccontextmanager
    async def watch(self, interface: str) -> AsyncIterator[SimulatedRadioWatch]:
        self._refuse_absent(interface)
        yield SimulatedRadioWatch(self, self._clocks)

    async def advertisements(self, adapter: str, seconds: float) -> list[Advertisement]:
        made_of = self._made_of
        if not (made_of.seated and made_of.bluetooth) or adapter != "hci0":
            raise Absent(f"the simulated unit has no Bluetooth adapter {adapter[:50]}")
        await self._clocks.sleep(seconds)
        name = made_of.beacon.encode()
        level = made_of.beacon_level + noise(self._seed, "beacon", self._clocks.boot(), made_of.noise)
        if level <= made_of.floor + 5:
            return []
        data = bytes((2, 1, 6, len(name) + 1, 9)) + name  # flags, then the complete local name
        heard = Advertisement(address="c0:00:5e:00:00:02", level=round(level), data=data)
        return [heard] * max(1, int(seconds))

    def losses(self, until: float) -> Sequence[tuple[float, float]]:
        """When the link was lost and when it came back, in seconds of boot time."""
        rate, found, at = self._made_of.losses_per_hour / 3600, [], 0.0
        source = chance(self._seed, "radio losses")
        while rate and (at := at + source.expovariate(rate)) <= until:
            back = at + source.uniform(_AWAY, _BACK)
            found.append((at, back))
            at = back
        return found

    def _lost(self, now: float) -> bool:
        return any(lost <= now < back for lost, back in self.losses(now))

    def _refuse_absent(self, interface: str) -> None:
        if not self._made_of.seated or interface != self._made_of.interface:
            raise Absent(f"the simulated unit has no wireless interface {interface[:50]}")


class SimulatedRadioWatch:
    def __init__(self, radio: SimulatedRadio, clocks: Clocks) -> None:
        self._radio, self._clocks, self._seen = radio, clocks, clocks.boot()

    async def next(self, timeout: float) -> RadioEvent | None:
        until = self._clocks.boot() + timeout
        for lost, back in self._radio.losses(until):
            if self._seen < lost <= until:
                return await self._event("lost", lost)
            if self._seen < back <= until:
                return await self._event("connected", back)
        await self._clocks.sleep(max(0.0, timeout))
        return None

    async def _event(self, kind: Literal["lost", "connected"], at: float) -> RadioEvent:
        await self._clocks.sleep(max(0.0, at - self._clocks.boot()))
        self._seen = at
        return RadioEvent(kind=kind, at=at)
