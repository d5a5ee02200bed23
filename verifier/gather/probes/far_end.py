"""What the far end says of the unit from outside: its own end of the link, who asks for addresses, the time."""

from __future__ import annotations

from collections import Counter
from collections.abc import AsyncIterator
from contextlib import aclosing
from dataclasses import dataclass
from typing import Literal

from verifier.errors import BenchFault
from verifier.gather.peer.pairings import valid_name
from verifier.gather.peer.words import NETWORK, far_end_of
from verifier.gather.probes.link import CHANGES, CHANGES_SEEN, LINK, counter
from verifier.gather.timekeeping import round_trip
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

_COUNTERS = (
    CHANGES,
    "rx_packets",
    "tx_packets",
    "rx_errors",
    "tx_errors",
    "rx_crc_errors",
    "rx_dropped",
    "collisions",
)
_SECONDS = 60.0


@dataclass(frozen=True, slots=True)
class LinkSettings:
    peer: str = "bench"
    """Name under which the station is paired with the far end."""
    seconds: float = 0.0
    """How long to watch for losses of the link there, in seconds; 0 for not at all."""

    def __post_init__(self) -> None:
        valid_name(self.peer)
        if not 0 <= self.seconds <= _SECONDS:
            raise ValueError(f"seconds lies between 0 and {_SECONDS:g}")


class FarLink:
    declaration = ProbeDeclaration(
        name="peer.link",
        title="Link as the far end sees it",
        what=(
            "Reads link, speed, duplex and counters of the far end's own interface: what arrives from the unit "
            "with errors is counted there, not at the unit."
        ),
        settings=LinkSettings,
        readings=(
            ReadingDeclaration(name="interface", kind="text", what="The far end's interface."),
            *LINK,
            *(counter(name) for name in _COUNTERS),
            counter("errors_seen", "Frames received with an error while it was watched."),
            CHANGES_SEEN,
        ),
        services=("net",),
        holds=(NETWORK,),
        sources=("Linux Documentation/ABI/testing/sysfs-class-net and sysfs-class-net-statistics",),
        example="""\
[[checks]]
id = "lan-from-outside"
title = "Nothing arrives damaged at the far end"
probe = "peer.link"
settings = { peer = "bench", seconds = 10.0 }
covers = ["lan"]
timeout = "30 s"
limits = [
  { reading = "speed", equals = 1000, unit = "Mbit/s", source = "maker" },
  { reading = "errors_seen", equals = 0, source = "a sound cable damages nothing; judgement" },
]
""",
        lasts=lambda settings: settings.seconds,
        timeout=90.0,
    )

    async def take(self, host: Host, settings: LinkSettings) -> AsyncIterator[Reading]:
        """Raises NotPossible when the far end does not answer or know us; BenchFault when it breaks off."""
        async with aclosing(await far_end_of(host, settings.peer)) as far_end:
            before = await far_end.look()
            names = {"interface": "", "carrier": "", "speed": "Mbit/s", "duplex": ""}
            names |= dict.fromkeys(_COUNTERS, "1")
            for name, unit in names.items():
                if name in before:
                    yield Reading(name=name, value=before[name], unit=unit, origin=far_end.where, exact=True)
            if settings.seconds:
                await host.clocks.sleep(settings.seconds)
                after = await far_end.look()
                for seen, counted in (("errors_seen", "rx_errors"), (CHANGES_SEEN.name, CHANGES)):
                    first, last = before.get(counted), after.get(counted)
                    if isinstance(first, int) and isinstance(last, int):
                        change = max(0, last - first)
                        yield Reading(name=seen, value=change, unit="1", origin=far_end.where, exact=True)


@dataclass(frozen=True, slots=True)
class RequestSettings:
    peer: str = "bench"
    """Name under which the station is paired with the far end."""
    seconds: float = 20.0
    """How long to listen."""
    kind: Literal["any", "arp", "dhcp"] = "any"
    """Which requests count."""

    def __post_init__(self) -> None:
        valid_name(self.peer)
        if not 0.1 <= self.seconds <= _SECONDS:
            raise ValueError(f"seconds lies between 0.1 and {_SECONDS:g}")


class AddressRequests:
    declaration = ProbeDeclaration(
        name="peer.address_requests",
        title="Address requests seen at the far end",
        what=(
            "Listens at the far end for computers that ask for an address, and gives their hardware address: to "
            "be held against the one on the unit's label. A unit asks when it starts or its plug is put in."
        ),
        settings=RequestSettings,
        readings=(
            ReadingDeclaration(name="requests", kind="number", unit="1", what="Requests heard."),
            ReadingDeclaration(name="senders", kind="number", unit="1", what="Different computers that asked."),
            ReadingDeclaration(
                name="hardware_address",
                kind="text",
                what="Who asked most often, such as 02:00:5e:10:00:01; missing when nobody did.",
                optional=True,
            ),
        ),
        services=("net",),
        privileges=("CAP_NET_RAW at the far end; without it nothing is heard and the check is not run",),
        sources=("RFC 826 (ARP request)", "RFC 2131, figure 1 and section 4.1 (DHCP)", "Linux packet(7)"),
        example="""\
[[checks]]
id = "lan-address"
title = "The hardware address is the label's"
probe = "peer.address_requests"
settings = { peer = "bench", seconds = 30.0, kind = "dhcp" }
covers = ["lan"]
timeout = "60 s"
limits = [
  { reading = "senders", equals = 1, source = "nobody else is on this cable" },
  { reading = "hardware_address", matches = '02:00:5e:10(:[0-9a-f]{2}){2}', source = "maker, label" },
]
""",
        lasts=lambda settings: settings.seconds,
        timeout=90.0,
    )

    async def take(self, host: Host, settings: RequestSettings) -> AsyncIterator[Reading]:
        """Raises NotPossible when the far end may not listen; BenchFault when it breaks off."""
        async with aclosing(await far_end_of(host, settings.peer)) as far_end:
            heard = await far_end.address_requests(settings.seconds)
            where = far_end.where
        senders = Counter(one.hardware for one in heard if settings.kind in ("any", one.kind))
        yield Reading(name="requests", value=senders.total(), unit="1", origin=where, exact=True)
        yield Reading(name="senders", value=len(senders), unit="1", origin=where, exact=True)
        for hardware, _ in senders.most_common(1):
            yield Reading(name="hardware_address", value=hardware, origin=where, exact=True)


@dataclass(frozen=True, slots=True)
class TimeSettings:
    peer: str = "bench"
    """Name under which the station is paired with the far end."""
    samples: int = 8
    """Exchanges, of which the quickest counts; 1 to 100."""

    def __post_init__(self) -> None:
        valid_name(self.peer)
        if not 1 <= self.samples <= 100:
            raise ValueError("samples lies between 1 and 100")


class PeerTime:
    declaration = ProbeDeclaration(
        name="clock.peer",
        title="System time against the far end",
        what=(
            "Exchanges times with `verifier peer` on the bench computer and tells how far the unit's system time "
            "is ahead of the bench's. The quickest of some exchanges counts. The way there and back may "
            "differ, so half the round trip is given as bounds. Whether the bench is right is another question."
        ),
        settings=TimeSettings,
        readings=round_trip.declared("the far end's"),
        services=("net",),
        sources=("RFC 5905, section 8 (on-wire arithmetic: offset, delay)",),
        example="""\
[[checks]]
id = "time-against-bench"
title = "System time agrees with the bench"
probe = "clock.peer"
settings = { peer = "bench" }
limits = [{ reading = "ahead", at_least = -0.5, at_most = 0.5, unit = "s", source = "judgement" }]
""",
    )

    async def take(self, host: Host, settings: TimeSettings) -> AsyncIterator[Reading]:
        """Raises NotPossible when the far end does not answer or know us; BenchFault when it breaks off."""
        async with aclosing(await far_end_of(host, settings.peer)) as far_end:
            samples = [await far_end.time() for _ in range(settings.samples)]
            where = far_end.where
        sound = [one for one in samples if one.delay >= 0]
        if not sound:
            raise BenchFault("a clock was set while times were exchanged")
        best = min(sound, key=lambda one: one.delay)
        for reading in round_trip.readings(best, where):
            yield reading
