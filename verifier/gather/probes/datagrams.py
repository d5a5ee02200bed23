"""Loss, jitter and round trip of UDP frames to and from the far end, for several frame sizes."""

from __future__ import annotations

import statistics
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from contextlib import aclosing
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from verifier.errors import BenchFault
from verifier.gather.peer.frames import FRAMING, IP, LEAST_PAYLOAD, UDP, udp_payload
from verifier.gather.peer.pairings import valid_name
from verifier.gather.peer.words import NETWORK, Datagrams, Way, far_end_of
from verifier.gather.probes.attributes import refuse_bad_interface
from verifier.gather.probes.repeats import mean_of
from verifier.readings import Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

LEAST = LEAST_PAYLOAD + FRAMING + IP[4] + UDP
MOST = 9018
MOST_SECONDS = 60.0
USUAL = [64, 512, 1518]
STEP = 0.001
"""ms, of times that are no mean."""


def _refuse_bad_frames(frames: Sequence[object]) -> None:
    fits = all(isinstance(f, int) and not isinstance(f, bool) and LEAST <= f <= MOST for f in frames)
    if not frames or not fits or len(frames) > 16 or len(set(frames)) != len(frames):
        raise ValueError(f"frames are 1 to 16 different sizes between {LEAST} and {MOST}, check sequence included")


def _frames_of(settings: Mapping[str, Any]) -> list[int]:
    frames = settings.get("frames", USUAL)
    try:
        _refuse_bad_frames(frames)
    except (TypeError, ValueError):
        return []
    return list(frames)


@dataclass(frozen=True, slots=True)
class LossSettings:
    peer: str = "bench"
    """Name under which the station is paired with the far end."""
    direction: Literal["both", "up", "down"] = "both"
    """up: from the unit to the far end; down: to the unit; both: one after the other."""
    frames: list[int] = field(default_factory=lambda: list(USUAL))
    """Frame sizes, check sequence included; RFC 2544 names 64, 128, 256, 512, 1024, 1280 and 1518."""
    rate: float = 1000.0
    """Frames a second; 0 for as fast as it goes, which a receiver need not keep up with."""
    count: int = 2000
    """Frames of each size, each way."""
    interface: str = ""
    """The interface that is tested: all goes over it and no other. Unless named, the routes decide."""

    def __post_init__(self) -> None:
        valid_name(self.peer)
        refuse_bad_interface(self.interface)
        _refuse_bad_frames(self.frames)
        if not (0 <= self.rate <= 2_000_000 and 2 <= self.count <= 2_000_000):
            raise ValueError("rate lies between 0 and 2000000, count between 2 and 2000000")
        if self.rate and self.count / self.rate > MOST_SECONDS:
            raise ValueError(f"{self.count} frames at {self.rate:g} a second take longer than {MOST_SECONDS:g} s")


def _loss_readings(settings: Mapping[str, Any]) -> tuple[ReadingDeclaration, ...]:
    def each() -> Iterator[ReadingDeclaration]:
        for way in ("up", "down") if settings.get("direction", "both") == "both" else (settings["direction"],):
            whole = f"of all sizes {way}"
            yield ReadingDeclaration(name=f"{way}_loss", kind="number", unit="%", what=f"Loss {whole}.")
            yield ReadingDeclaration(name=f"{way}_lost", kind="number", unit="1", what=f"Frames lost {whole}.")
            yield ReadingDeclaration(
                name=f"{way}_late", kind="number", unit="1", what="Frames that came after one sent later."
            )
            yield ReadingDeclaration(
                name=f"{way}_duplicates", kind="number", unit="1", what="Frames that came again."
            )
            yield ReadingDeclaration(
                name=f"{way}_overrun",
                kind="number",
                unit="1",
                what="Frames that came and the receiving computer was too slow for; not counted as lost.",
            )
            for frame in _frames_of(settings):
                size = f"with frames of {frame} octets, {way}"
                yield ReadingDeclaration(name=f"{way}_loss_{frame}", kind="number", unit="%", what=f"Loss {size}.")
                yield ReadingDeclaration(
                    name=f"{way}_jitter_{frame}",
                    kind="number",
                    unit="ms",
                    what=f"Interarrival jitter {size}.",
                )
                yield ReadingDeclaration(
                    name=f"{way}_rate_{frame}", kind="number", unit="/s", what=f"Frames a second {size}."
                )
                yield ReadingDeclaration(
                    name=f"{way}_payload_{frame}",
                    kind="number",
                    unit="Mbit/s",
                    what=f"UDP payload that arrived {size}: throughput, where rate = 0.",
                )

    return tuple(each()) if settings.get("direction", "both") in ("both", "up", "down") else ()


class Loss:
    declaration = ProbeDeclaration(
        name="network.loss",
        title="Frame loss and jitter to the far end",
        what=(
            "Sends numbered UDP frames of several sizes at a set rate to `verifier peer` on the bench computer "
            "and back; counts those that did not arrive, came twice or in the wrong order, and gives the "
            "jitter of their arrival. Jitter includes how punctually both computers wake up."
        ),
        settings=LossSettings,
        readings=_loss_readings({}),
        told=_loss_readings,
        services=("net",),
        holds=(NETWORK,),
        sources=(
            "RFC 2544, 9.1 (frame sizes) and 26.3 (loss)",
            "RFC 3550, 6.4.1 (interarrival jitter)",
            "Linux include/uapi/linux/sock_diag.h (SK_MEMINFO_DROPS: datagrams the receiver was too slow for)",
        ),
        example="""\
[[checks]]
id = "lan-loss"
title = "Network port loses nothing, with short and long frames"
probe = "network.loss"
settings = { peer = "bench", frames = [64, 512, 1518], rate = 2000.0, count = 4000 }
covers = ["lan"]
timeout = "60 s"
limits = [
  { reading = "up_lost", at_most = 0, source = "a sound cable loses nothing; judgement" },
  { reading = "down_lost", at_most = 0, source = "a sound cable loses nothing; judgement" },
]
""",
        timeout=120.0,
    )

    async def take(self, host: Host, settings: LossSettings) -> AsyncIterator[Reading]:
        """Raises NotPossible when the far end does not answer or know us; BenchFault when it breaks off."""
        async with aclosing(await far_end_of(host, settings.peer, settings.interface)) as far_end:
            ways: tuple[Way, ...] = ("up", "down")
            for way in ways:
                if settings.direction not in ("both", way):
                    continue
                seen: list[Datagrams] = []
                for frame in settings.frames:
                    payload = udp_payload(frame, far_end.ip_version)
                    one = await far_end.datagrams(way, payload=payload, count=settings.count, rate=settings.rate)
                    if not one.sent:
                        raise BenchFault(f"nothing could be sent {way} to the far end")
                    seen.append(one)
                    for reading in _of_size(way, frame, payload, one, f"UDP, {far_end.where}"):
                        yield reading
                for reading in _of_all(way, seen, f"UDP, {far_end.where}"):
                    yield reading


def _of_size(way: Way, frame: int, payload: int, one: Datagrams, origin: str) -> Iterator[Reading]:
    yield Reading(name=f"{way}_loss_{frame}", value=100 * one.lost / one.sent, unit="%", origin=origin, exact=True)
    yield _time(f"{way}_jitter_{frame}", 1e3 * one.jitter, origin)
    # Where the interval between first and last is off by one arrival, the rate is off by that part of it.
    step = one.rate / max(1, one.received)
    known = (Contribution.resolution(step, note="one arrival more or less"),) if step > 0 else ()
    yield Reading(name=f"{way}_rate_{frame}", value=one.rate, unit="/s", origin=origin, contributions=known)
    bits = 8e-6 * payload  # Mbit a frame
    scaled = tuple(replace(c, u=c.u * bits) for c in known)
    yield Reading(
        name=f"{way}_payload_{frame}", value=one.rate * bits, unit="Mbit/s", origin=origin, contributions=scaled
    )


def _time(name: str, milliseconds: float, origin: str) -> Reading:
    """To the microsecond: what the programs at both ends add is not known any better."""
    known = (Contribution.resolution(STEP),)
    return Reading(
        name=name, value=round(milliseconds / STEP) * STEP, unit="ms", origin=origin, contributions=known
    )


def _of_all(way: Way, seen: Sequence[Datagrams], origin: str) -> Iterator[Reading]:
    sent, lost = sum(one.sent for one in seen), sum(one.lost for one in seen)
    yield Reading(name=f"{way}_loss", value=100 * lost / sent, unit="%", origin=origin, exact=True)
    counts = {
        "lost": lost,
        "late": sum(one.late for one in seen),
        "duplicates": sum(one.duplicates for one in seen),
        "overrun": sum(one.overrun for one in seen),
    }
    for name, count in counts.items():
        yield Reading(name=f"{way}_{name}", value=count, unit="1", origin=origin, exact=True)


@dataclass(frozen=True, slots=True)
class RoundTripSettings:
    peer: str = "bench"
    """Name under which the station is paired with the far end."""
    frames: list[int] = field(default_factory=lambda: list(USUAL))
    """Frame sizes, check sequence included."""
    count: int = 50
    """Frames of each size."""
    interval: float = 0.01
    """Seconds between an answer and the next frame."""
    wait: float = 0.5
    """Seconds after which a frame counts as lost."""
    interface: str = ""
    """The interface that is tested: all goes over it and no other. Unless named, the routes decide."""

    def __post_init__(self) -> None:
        valid_name(self.peer)
        refuse_bad_interface(self.interface)
        _refuse_bad_frames(self.frames)
        if not (2 <= self.count <= 10_000 and 0 <= self.interval <= 10 and 0.001 <= self.wait <= 10):
            raise ValueError(
                "count lies between 2 and 10000, interval between 0 and 10, wait between 0.001 and 10"
            )
        if self.count * (self.interval + self.wait) > MOST_SECONDS:
            raise ValueError(f"a size may take {MOST_SECONDS:g} s when all is lost: count × (interval + wait)")


def _trip_readings(settings: Mapping[str, Any]) -> tuple[ReadingDeclaration, ...]:
    def each() -> Iterator[ReadingDeclaration]:
        yield ReadingDeclaration(
            name="lost", kind="number", unit="1", what="Frames of any size without an answer."
        )
        yield ReadingDeclaration(name="loss", kind="number", unit="%", what="The same of a hundred.")
        for frame in _frames_of(settings):
            for name, what in (
                ("round_trip", "Mean round-trip time"),
                ("longest", "Longest round-trip time"),
                ("median", "Median round-trip time"),
            ):
                yield ReadingDeclaration(
                    name=f"{name}_{frame}",
                    kind="number",
                    unit="ms",
                    what=f"{what} with frames of {frame} octets; missing when all were lost.",
                    optional=True,
                )

    return tuple(each())


class RoundTrip:
    declaration = ProbeDeclaration(
        name="network.round_trip",
        title="Round trip to the far end",
        what=(
            "Sends UDP frames of several sizes one after the other to `verifier peer` on the bench computer, "
            "which sends each back, and gives how long that took. It includes the time that both computers take."
        ),
        settings=RoundTripSettings,
        readings=_trip_readings({}),
        told=_trip_readings,
        services=("net",),
        holds=(NETWORK,),
        sources=(
            "RFC 2544, 9.1 (frame sizes); RFC 2681, 2 (round-trip delay)",
            "JCGM 100, 4.2.3 (uncertainty of a mean)",
        ),
        example="""\
[[checks]]
id = "lan-round-trip"
title = "Network port answers at once"
probe = "network.round_trip"
settings = { peer = "bench", frames = [64, 1518], count = 100 }
covers = ["lan"]
timeout = "130 s"
limits = [
  { reading = "lost", at_most = 0, source = "a sound cable loses nothing; judgement" },
  { reading = "median_64", at_most = 2, unit = "ms", source = "judgement" },
]
""",
        timeout=120.0,
    )

    async def take(self, host: Host, settings: RoundTripSettings) -> AsyncIterator[Reading]:
        """Raises NotPossible when the far end does not answer or know us; BenchFault when it breaks off."""
        lost = 0
        async with aclosing(await far_end_of(host, settings.peer, settings.interface)) as far_end:
            origin = f"UDP echo, {far_end.where}"
            for frame in settings.frames:
                times = await far_end.echoes(
                    payload=udp_payload(frame, far_end.ip_version),
                    count=settings.count,
                    interval=settings.interval,
                    wait=settings.wait,
                )
                answered = [1e3 * t for t in times if t is not None]
                lost += len(times) - len(answered)
                if answered:
                    yield mean_of(f"round_trip_{frame}", answered, "ms", origin)
                    yield _time(f"median_{frame}", statistics.median(answered), origin)
                    yield _time(f"longest_{frame}", max(answered), origin)
        whole = settings.count * len(settings.frames)
        yield Reading(name="lost", value=lost, unit="1", origin=origin, exact=True)
        yield Reading(name="loss", value=100 * lost / whole, unit="%", origin=origin, exact=True)
