"""The unit's system time held against a time server (SNTP)."""

from __future__ import annotations

import os
import struct
from collections.abc import AsyncIterator
from dataclasses import dataclass
from fractions import Fraction

from verifier.errors import BenchFault
from verifier.gather.timekeeping import round_trip
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Exchange, Host, net_of

UNIX_EPOCH = 2_208_988_800
"""1970-01-01 in seconds of NTP era 0 (RFC 5905, figure 4)."""
HEADER = struct.Struct("!BBbbIIIQQQQ")
"""Leap, version, mode; stratum; poll; precision; root delay; root dispersion; reference id; four timestamps
(RFC 5905, figure 8)."""
CLIENT = 0b00_100_011
"""No leap warning, version 4, mode 3 (client)."""
SERVER_MODE = 4
PRECISION = 1e-6
"""Shortest round trip in seconds that is believed: below it the clocks' own steps show (RFC 5905, section 8)."""
TOLERANCE = 1e-3
"""By how many seconds a round trip may come out negative before a clock is taken to have been set in between."""
_UNSYNCHRONISED = 3
"""Leap indicator of a server that has no time itself."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One exchange with a server. Times in seconds."""

    offset: float
    """How far the server is ahead of the unit: θ = ((T2 − T1) + (T3 − T4)) / 2 (RFC 5905, section 8)."""
    delay: float
    """Round trip without the server's own time: δ = (T4 − T1) − (T3 − T2) (ibid.)."""
    root: float
    """Furthest the server may be from the true time: root delay / 2 + root dispersion (RFC 5905, 11.1)."""
    stratum: int


@dataclass(frozen=True, slots=True)
class Settings:
    server: str
    """Name or address of the time server that the bench trusts."""
    port: int = 123
    samples: int = 4
    """Exchanges, of which the quickest counts; 1 to 8."""

    def __post_init__(self) -> None:
        if not 0 < len(self.server) <= 253 or not self.server.isprintable() or " " in self.server:
            raise ValueError("server is the name or address of a time server")
        if not (1 <= self.port <= 65_535 and 1 <= self.samples <= 8):
            raise ValueError("port lies between 1 and 65535, samples between 1 and 8")


class NetworkTime:
    declaration = ProbeDeclaration(
        name="clock.network",
        title="System time against a time server",
        what=(
            "Asks a time server and tells how far the unit's system time is ahead of it. The quickest of some "
            "exchanges counts. The way there and back may differ, so half the round trip is given as bounds, "
            "and what the server says of its own error beside it. Nothing is set."
        ),
        settings=Settings,
        readings=(
            *round_trip.declared("the server"),
            ReadingDeclaration(
                name="stratum", kind="number", unit="1", what="Steps from the server to a reference clock."
            ),
            ReadingDeclaration(name="answers", kind="number", unit="1", what="Exchanges that were answered."),
            ReadingDeclaration(name="server", kind="text", what="Address of the server."),
        ),
        services=("net",),
        sources=("RFC 5905, figures 4 and 8, sections 6, 7.3, 8, 11.1 and 14 (on-wire arithmetic, SNTP)",),
        example="""\
[[checks]]
id = "system-time"
title = "System time is right"
probe = "clock.network"
settings = { server = "time.bench.example" }
needs = ["bench-network"]
limits = [{ reading = "ahead", at_least = -0.5, at_most = 0.5, unit = "s", source = "judgement" }]
""",
        timeout=30.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises NotPossible for a name that leads nowhere; BenchFault when the server gives no usable time."""
        net = net_of(host)
        address = await net.resolve(settings.server)
        samples, refused = [], ""
        for _ in range(settings.samples):
            token = os.urandom(8)
            exchange = await net.exchange(address, settings.port, request(token), timeout=2.0)
            if exchange is not None:
                try:
                    samples.append(sample(exchange, token))
                except ValueError as error:
                    refused = str(error)
        origin = f"SNTP, {address} port {settings.port}"
        if not samples:
            raise BenchFault(f"the time server {settings.server} gives no time: {refused or 'it does not answer'}")
        best = min(samples, key=lambda s: s.delay)
        told = Contribution.half_width(
            best.root, basis=Basis.SPECIFICATION, note="what the server says of itself (RFC 5905, 11.1)"
        )
        for reading in round_trip.readings(best, origin, told):
            yield reading
        yield Reading(name="stratum", value=best.stratum, unit="1", origin=origin, exact=True)
        yield Reading(name="answers", value=len(samples), unit="1", origin=origin, exact=True)
        yield Reading(name="server", value=address, origin=origin, exact=True)


def request(token: bytes) -> bytes:
    """A client's packet. `token` (8 bytes) stands as its transmit time: the answer must give it back, so that
    nobody who has not seen the request can answer it; the time itself need not travel (RFC 5905, section 14)."""
    return bytes([CLIENT]) + bytes(39) + token


def sample(exchange: Exchange, token: bytes) -> Sample:
    """Offset and delay from one exchange; ValueError with the reason when the answer cannot be used."""
    if len(exchange.answer) < HEADER.size:
        raise ValueError("its answer is cut short")
    first, stratum, _, _, delay, dispersion, _, _, origin, t2, t3 = HEADER.unpack_from(exchange.answer)
    if origin.to_bytes(8, "big") != token:
        raise ValueError("its answer belongs to another request")
    if first & 0b111 != SERVER_MODE:
        raise ValueError("it did not answer as a server")
    if stratum == 0:
        raise ValueError("it refuses to serve")
    if first >> 6 == _UNSYNCHRONISED or stratum > 15 or not (t2 and t3):
        raise ValueError("it has no time itself")
    t1, t4 = timestamp(exchange.sent), timestamp(exchange.received)
    round_trip = difference(t4, t1) - difference(t3, t2)
    if round_trip < -TOLERANCE:
        raise ValueError("a clock was set while it was asked")
    return Sample(
        offset=(difference(t2, t1) + difference(t3, t4)) / 2,
        delay=max(round_trip, PRECISION),
        root=(delay / 2 + dispersion) / 2**16,
        stratum=stratum,
    )


def timestamp(wall: float) -> int:
    """NTP timestamp, 32.32 bits of its era, of seconds since 1970 (RFC 5905, section 6)."""
    return round((Fraction(wall) + UNIX_EPOCH) * 2**32) % 2**64


def difference(later: int, earlier: int) -> float:
    """Seconds between two timestamps less than 68 years apart, whatever their eras (RFC 5905, section 6)."""
    return ((later - earlier + 2**63) % 2**64 - 2**63) / 2**32
