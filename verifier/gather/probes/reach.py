"""Is a far end reached over the network, how quickly, and does anything get lost?"""

from __future__ import annotations

import statistics
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Literal

from verifier.errors import NotPossible
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration, Series
from verifier.services import Host, Net, net_of

Way = Literal["any", "echo", "connect"]


@dataclass(frozen=True, slots=True)
class Settings:
    target: str
    """Name or address of the far end."""
    count: int = 5
    """How often it is tried; 1 to 1000."""
    interval: float = 0.2
    """Seconds between tries."""
    wait: float = 1.0
    """Seconds after which a try counts as lost."""
    way: Way = "any"
    """echo (ICMP), connect (TCP), or any: echo where this is allowed, else connect."""
    port: int = 80
    """Port for connect. One that refuses serves as well: the refusal is an answer."""

    def __post_init__(self) -> None:
        if not 0 < len(self.target) <= 253 or not self.target.isprintable() or " " in self.target:
            raise ValueError("target is the name or address of a far end")
        if not (1 <= self.count <= 1000 and 0 <= self.interval <= 60 and 0 < self.wait <= 60):
            raise ValueError("count lies between 1 and 1000, interval and wait up to 60")
        if self.way not in ("any", "echo", "connect") or not 1 <= self.port <= 65_535:
            raise ValueError("way is any, echo or connect, port lies between 1 and 65535")


class Reach:
    declaration = ProbeDeclaration(
        name="network.reach",
        title="Reachability",
        what=(
            "Sends something small to a far end several times, waits for the answers, and tells what came back "
            "and how quickly. The reading method says which way was used: they do not compare."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="method", kind="text", what="icmp-echo or tcp-connect."),
            ReadingDeclaration(name="address", kind="text", what="Address of the far end."),
            ReadingDeclaration(name="sent", kind="number", unit="1", what="How often it was tried."),
            ReadingDeclaration(name="lost", kind="number", unit="1", what="How many tries had no answer."),
            ReadingDeclaration(name="loss", kind="number", unit="%", what="The same of a hundred."),
            ReadingDeclaration(
                name="round_trip",
                kind="number",
                unit="ms",
                what="Mean round-trip time of those answered; its uncertainty is that of the mean.",
                optional=True,
            ),
            ReadingDeclaration(
                name="longest", kind="number", unit="ms", what="Longest round-trip time.", optional=True
            ),
        ),
        services=("net",),
        privileges=(
            "a group within net.ipv4.ping_group_range, for ICMP echo; without it TCP connect is used and the "
            "reading method says so",
        ),
        sources=(
            "Linux Documentation/networking/ip-sysctl.rst (ping_group_range)",
            "RFC 792 (echo), RFC 4443, 4.1 and 4.2 (echo over IPv6), RFC 9293, 3.10.7 (a closed port answers)",
            "JCGM 100, 4.2.3 (uncertainty of a mean)",
        ),
        example="""\
[[checks]]
id = "gateway"
title = "Bench gateway is reached without loss"
probe = "network.reach"
settings = { target = "192.0.2.1", count = 20, port = 22 }
after = ["lan"]
timeout = "60 s"
limits = [
  { reading = "lost", at_most = 0, unit = "1", source = "a sound cable on a quiet switch; judgement" },
  { reading = "longest", at_most = 50, unit = "ms", source = "judgement" },
]

[[checks]]
id = "lan"
title = "Network port"
probe = "ethernet.link"
limits = [{ reading = "carrier", is = true, source = "maker" }]
""",
        timeout=60.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises NotPossible for a name that leads nowhere, and for echo where it is not allowed."""
        net = net_of(host)
        address = await net.resolve(settings.target)
        method = await _method(net, address, settings.way)
        began = host.clocks.loop()
        times: list[float | None] = []
        for number in range(settings.count):
            if number:
                await host.clocks.sleep(settings.interval)
            if method == "icmp-echo":
                times.append(await net.echo(address, number, settings.wait))
            else:
                times.append(await net.connect(address, settings.port, settings.wait))
        took = host.clocks.loop() - began
        origin = f"{method}, {address}" + (f" port {settings.port}" if method == "tcp-connect" else "")
        for reading in _readings(times, origin, took):
            yield reading
        yield Reading(name="method", value=method, origin=origin, exact=True)
        yield Reading(name="address", value=address, origin=origin, exact=True)


async def _method(net: Net, address: str, way: Way) -> Literal["icmp-echo", "tcp-connect"]:
    if way == "connect":
        return "tcp-connect"
    try:
        # Whether the kernel allows it shows at once: this first answer is not waited for.
        await net.echo(address, 0, 0.0)
    except NotPossible:
        if way == "echo":
            raise
        return "tcp-connect"
    return "icmp-echo"


def _readings(times: Sequence[float | None], origin: str, took: float) -> list[Reading]:
    answered = [1000 * t for t in times if t is not None]
    lost = len(times) - len(answered)
    found = [
        Reading(name="sent", value=len(times), unit="1", origin=origin, exact=True),
        Reading(name="lost", value=lost, unit="1", origin=origin, exact=True),
        Reading(name="loss", value=100 * lost / len(times), unit="%", origin=origin, exact=True),
    ]
    if answered:
        n = len(answered)
        spread: tuple[Contribution, ...] = ()
        series = None
        if n > 1:
            u = statistics.stdev(answered) / n**0.5
            spread = (Contribution(basis=Basis.REPEATS, u=u, dof=n - 1, note=f"mean of {n} (JCGM 100, 4.2.3)"),)
        if n == len(times) and n > 1 and took > 0:
            series = Series(t0=0.0, dt=took / n, values=tuple(answered))
        mean = statistics.fmean(answered)
        found += [
            Reading(name="round_trip", value=mean, unit="ms", origin=origin, contributions=spread, series=series),
            # A count of clock ticks of one event: the longest of these tries, not an estimate of the next.
            Reading(name="longest", value=max(answered), unit="ms", origin=origin, exact=True),
        ]
    return found
