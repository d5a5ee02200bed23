"""How much a wired or wireless link carries to and from the far end on the bench computer."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import aclosing
from dataclasses import dataclass
from typing import Literal

from verifier.gather.peer.frames import goodput_ceiling
from verifier.gather.peer.pairings import valid_name
from verifier.gather.peer.words import NETWORK, Way, far_end_of
from verifier.gather.probes.attributes import number_of, refuse_bad_interface
from verifier.gather.probes.repeats import mean_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

MOST_SECONDS = 60.0


@dataclass(frozen=True, slots=True)
class Settings:
    peer: str = "bench"
    """Name under which the station is paired with the far end."""
    direction: Literal["both", "up", "down"] = "both"
    """up: from the unit to the far end; down: to the unit; both: one after the other."""
    seconds: float = 1.0
    """Length of one transfer."""
    repeats: int = 5
    """Transfers each way; their scatter gives the uncertainty."""
    interface: str = ""
    """The interface that is tested: all goes over it and no other. Shares of what its speed allows are given."""

    def __post_init__(self) -> None:
        valid_name(self.peer)
        if not (0.1 <= self.seconds <= MOST_SECONDS and 2 <= self.repeats <= 100):
            raise ValueError(f"seconds lies between 0.1 and {MOST_SECONDS:g}, repeats between 2 and 100")
        refuse_bad_interface(self.interface)


_WAYS: tuple[tuple[Way, str], ...] = (("up", "from the unit to the far end"), ("down", "to the unit"))


class Throughput:
    declaration = ProbeDeclaration(
        name="network.throughput",
        title="TCP throughput to the far end",
        what=(
            "Sends as fast as TCP allows to `verifier peer` on the bench computer and back, several times each "
            "way, and gives what arrived. A bad pair, a bent contact or a wrong duplex shows here long before a "
            "link is lost. Name the interface where the unit has several: else the routes decide which one is "
            "tested, and a cable stands in for the radio beside it."
        ),
        settings=Settings,
        readings=(
            *(
                ReadingDeclaration(
                    name=way,
                    kind="number",
                    unit="Mbit/s",
                    what=f"Payload carried {words}: the mean of the repeats.",
                    optional=True,
                )
                for way, words in _WAYS
            ),
            *(
                ReadingDeclaration(
                    name=f"{way}_lowest",
                    kind="number",
                    unit="Mbit/s",
                    what=f"The slowest of the repeats {words}.",
                    optional=True,
                )
                for way, words in _WAYS
            ),
            ReadingDeclaration(
                name="ceiling",
                kind="number",
                unit="Mbit/s",
                what="Most payload at the interface's negotiated speed, when the interface is named.",
                optional=True,
            ),
            *(
                ReadingDeclaration(
                    name=f"{way}_share",
                    kind="number",
                    unit="%",
                    what=f"Payload carried {words}, of that ceiling.",
                    optional=True,
                )
                for way, words in _WAYS
            ),
        ),
        services=("files", "net"),
        holds=(NETWORK,),
        sources=(
            "RFC 2647, 3.7 (goodput)",
            "Linux Documentation/ABI/testing/sysfs-class-net (speed, mtu)",
            "IEEE 802.3, clause 3; RFC 9293, 3.1; RFC 7323, 3.2 (headers that the ceiling leaves out)",
            "JCGM 100, 4.2.3 (uncertainty of a mean)",
        ),
        example="""\
[[checks]]
id = "lan-throughput"
title = "Network port carries what it should, both ways"
probe = "network.throughput"
settings = { peer = "bench", seconds = 2.0, repeats = 5, interface = "eth0" }
covers = ["lan"]
timeout = "60 s"
limits = [
  { reading = "up", at_least = 900, unit = "Mbit/s", source = "941 Mbit/s by arithmetic; judgement" },
  { reading = "down", at_least = 900, unit = "Mbit/s", source = "941 Mbit/s by arithmetic; judgement" },
]
""",
        lasts=lambda settings: settings.seconds * settings.repeats * (2 if settings.direction == "both" else 1),
        timeout=120.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises NotPossible when the far end does not answer or know us; BenchFault when it breaks off."""
        async with aclosing(await far_end_of(host, settings.peer, settings.interface)) as far_end:
            version = far_end.ip_version
            ceiling = await _ceiling(host.files, settings.interface, version) if settings.interface else None
            if ceiling is not None:
                at = f"{NET}/{settings.interface}/speed"
                yield Reading(name="ceiling", value=ceiling, unit="Mbit/s", origin=at, exact=True)
            for way, _ in _WAYS:
                if settings.direction not in ("both", way):
                    continue
                origin = f"TCP, {far_end.where}"
                rates = [(await far_end.stream(way, settings.seconds)).rate for _ in range(settings.repeats)]
                yield mean_of(way, rates, "Mbit/s", origin)
                yield Reading(name=f"{way}_lowest", value=min(rates), unit="Mbit/s", origin=origin)
                if ceiling is not None:
                    yield mean_of(f"{way}_share", [100 * rate / ceiling for rate in rates], "%", origin)


NET = "/sys/class/net"


async def _ceiling(files: Files, interface: str, version: int) -> float | None:
    """Mbit/s; None where the interface does not tell its speed."""
    speed = await number_of(files, f"{NET}/{interface}/speed")
    mtu = await number_of(files, f"{NET}/{interface}/mtu")
    if speed is None or not 0 < speed < 2**32 - 1:
        return None
    return goodput_ceiling(speed * 1e6, mtu=mtu if mtu and mtu >= 576 else 1500, version=version) / 1e6
