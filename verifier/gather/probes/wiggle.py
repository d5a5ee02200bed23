"""A network plug moved by hand while its link is watched."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass, field

from verifier.errors import Absent, NotPossible
from verifier.gather.peer.words import NETWORK
from verifier.gather.probes.attributes import number_of
from verifier.gather.probes.ethernet import Settings as LinkSettings
from verifier.gather.probes.link import ERRORS_SEEN, NET, errors_of, speed_of
from verifier.readings import PLAIN, Conditions, Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host
from verifier.steps import Cue

LOOK = 0.05
"""Seconds between two looks at the link."""
TIMES_TOLD = 20


@dataclass(frozen=True, slots=True)
class Settings:
    interface: str
    """Name of the interface, such as eth0."""
    seconds: float = 20.0
    """How long the plug is moved, in seconds. Give the check a longer timeout."""
    label: str = ""
    """What is printed beside the socket, as the technician knows it, such as 5."""

    def __post_init__(self) -> None:
        LinkSettings(interface=self.interface)
        if not self.interface or not 1 <= self.seconds <= 600:
            raise ValueError("interface is a name such as eth0, seconds lies between 1 and 600")
        if len(self.label) > 100 or not self.label.isprintable():
            raise ValueError("label is a short text without line breaks")


@dataclass(slots=True)
class _Watched:
    down_since: float | None = None
    drops: list[tuple[float, float | None]] = field(default_factory=list)
    """When each began, and when the link was back."""
    slowest: int | None = None

    def see(self, now: float, *, carrier: bool, speed: int | None) -> None:
        if not carrier and self.down_since is None:
            self.down_since = now
            self.drops.append((now, None))
        elif carrier and self.down_since is not None:
            self.drops[-1] = (self.drops[-1][0], now)
            self.down_since = None
        if carrier and speed is not None:
            self.slowest = speed if self.slowest is None else min(self.slowest, speed)


class Wiggle:
    declaration = ProbeDeclaration(
        name="ethernet.wiggle",
        title="Link while the plug is moved",
        what=(
            "Watches link, speed and error counters of a wired port for some seconds while the technician moves "
            "the plug in its socket, which it asks for; names each drop with its time. A cracked "
            "joint or a weak socket shows here and nowhere else. Drops shorter than 0.05 s show in the "
            "kernel's own count."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="drops", kind="number", unit="1", what="How often the link was lost."),
            ReadingDeclaration(
                name="first_drop_at",
                kind="number",
                unit="s",
                what="When it was lost first, from the beginning; missing when it held, or too short to be seen.",
                optional=True,
            ),
            ReadingDeclaration(
                name="drop_times", kind="text", what="When the link was lost, and for how long; or none."
            ),
            ReadingDeclaration(
                name="longest_drop", kind="number", unit="s", what="Longest time without link.", optional=True
            ),
            ReadingDeclaration(name="linked_at_end", kind="yes-no", what="Whether there was a link at the end."),
            ReadingDeclaration(
                name="slowest",
                kind="number",
                unit="Mbit/s",
                what="Slowest speed that was negotiated meanwhile, where the driver tells it.",
                optional=True,
            ),
            ERRORS_SEEN,
        ),
        sources=(
            "Linux Documentation/ABI/testing/sysfs-class-net (carrier, carrier_changes, speed)",
            "Linux Documentation/ABI/testing/sysfs-class-net-statistics (rx_errors, tx_errors, ...)",
        ),
        example="""\
[[checks]]
id = "lan-wiggle"
title = "Network port holds its link while the plug is moved"
probe = "ethernet.wiggle"
settings = { interface = "eth0", seconds = 20.0, label = "5" }
covers = ["lan"]
timeout = "40 s"
limits = [
  { reading = "drops", at_most = 0, source = "judgement" },
  { reading = "errors_seen", at_most = 0, source = "judgement" },
]
""",
        lasts=lambda settings: settings.seconds,
        timeout=60.0,
        cues=True,
        holds=(NETWORK,),
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises Absent without such a port; NotPossible on a recorded tree, or without a link to begin with."""
        at, files, clocks = f"{NET}/{settings.interface}", host.files, host.clocks
        if not await files.exists(f"{at}/type"):
            raise Absent(f"there is no network interface {settings.interface}")
        if host.address.startswith("recorded:"):
            raise NotPossible("a recorded tree stands still: the link cannot be watched over recorded")
        if await number_of(files, f"{at}/carrier") != 1:
            raise NotPossible(
                f"{settings.interface} has no link to begin with: nothing can be seen when its plug is moved",
                to_do="Put the cable in, see that the far end is on, and take the check again.",
            )
        yield Cue(
            say=f"Take the plug of {_words(settings)} between two fingers, without pulling. Ready?", wait=True
        )
        yield Cue(say=f"Move the plug gently in all directions for {settings.seconds:g} s.", act="move")
        changes, errors = await number_of(files, f"{at}/carrier_changes"), await errors_of(files, at)
        watched, began = _Watched(), clocks.boot()
        while (now := clocks.boot() - began) < settings.seconds:
            carrier = await number_of(files, f"{at}/carrier") == 1
            watched.see(now, carrier=carrier, speed=await speed_of(files, at))
            await clocks.sleep(min(LOOK, settings.seconds - now))
        carrier = await number_of(files, f"{at}/carrier") == 1
        watched.see(clocks.boot() - began, carrier=carrier, speed=await speed_of(files, at))
        changed = (await number_of(files, f"{at}/carrier_changes") or 0) - (changes or 0)
        yield Cue(say="Enough: let go of the plug.", act="let go")
        for reading in _readings(watched, changed, settings.seconds, carrier=carrier, at=at):
            yield reading
        after = await errors_of(files, at)
        if errors is not None and after is not None:
            yield Reading(name="errors_seen", value=max(0, after - errors), unit="1", origin=at, exact=True)


def _words(settings: Settings) -> str:
    return (
        f"the socket marked {settings.label}" if settings.label else f"the network socket ({settings.interface})"
    )


def _readings(watched: _Watched, changed: int, seconds: float, *, carrier: bool, at: str) -> list[Reading]:
    # The kernel counts going and coming; an odd one out is a drop that has not ended.
    drops = max(len(watched.drops), (changed + 1) // 2)
    told = [
        f"at {began:.2f} s for {(seconds if ended is None else ended) - began:.2f} s"
        + (", not back by the end" if ended is None else "")
        for began, ended in watched.drops[:TIMES_TOLD]
    ]
    if unseen := drops - len(watched.drops):
        told.append(f"{unseen} shorter than {LOOK:g} s")
    if len(watched.drops) > TIMES_TOLD:
        told.append(f"{len(watched.drops) - TIMES_TOLD} more")
    step = (Contribution.resolution(LOOK, note=f"looked at every {LOOK:g} s"),)
    found = [
        Reading(
            name="drops",
            value=drops,
            unit="1",
            origin=f"{at}/carrier_changes",
            exact=True,
            conditions=Conditions(remark=f"the link was lost {'; '.join(told)}") if told else PLAIN,
        ),
        Reading(name="drop_times", value="; ".join(told) or "none", origin=f"{at}/carrier", exact=True),
        Reading(name="linked_at_end", value=carrier, origin=f"{at}/carrier", exact=True),
    ]
    if watched.drops:
        first = watched.drops[0][0]
        longest = max((seconds if ended is None else ended) - began for began, ended in watched.drops)
        origin = f"{at}/carrier"
        found.append(Reading(name="first_drop_at", value=first, unit="s", origin=origin, contributions=step))
        found.append(Reading(name="longest_drop", value=longest, unit="s", origin=origin, contributions=step))
    if watched.slowest is not None:
        found.append(
            Reading(name="slowest", value=watched.slowest, unit="Mbit/s", origin=f"{at}/speed", exact=True)
        )
    return found
