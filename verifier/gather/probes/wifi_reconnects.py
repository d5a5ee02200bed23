"""A wireless link watched for some time: each loss and each reconnect, with its time."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass, field

from verifier.errors import NotPossible
from verifier.gather.probes import wireless
from verifier.gather.probes.attributes import refuse_bad_interface
from verifier.gather.radio import RadioEvent, radio_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

TIMES_TOLD = 20


@dataclass(frozen=True, slots=True)
class Settings:
    interface: str = ""
    """Name of the interface, such as wlan0; may be left out where the unit has one."""
    reference: str = ""
    """Name of the network it has to be connected to at the beginning."""
    access_point: str = ""
    """Hardware address of the access point (BSSID), where several serve that network."""
    seconds: float = 60.0
    """How long it is watched. Give the check a longer timeout."""

    def __post_init__(self) -> None:
        refuse_bad_interface(self.interface)
        wireless.refuse_bad_reference(self.reference, self.access_point)
        if not 1 <= self.seconds <= 86_400:
            raise ValueError("seconds lies between 1 and 86400")


@dataclass(slots=True)
class _Seen:
    losses: list[tuple[float, float | None]] = field(default_factory=list)
    """When each began, and when the link was back."""
    by_far_end: int = 0
    reconnects: int = 0
    moves: int = 0

    def see(self, event: RadioEvent, at: float) -> None:
        down = bool(self.losses) and self.losses[-1][1] is None
        if event.kind == "lost" and not down:
            self.losses.append((at, None))
            self.by_far_end += event.by_far_end
        elif event.kind == "connected" and down:
            self.losses[-1] = (self.losses[-1][0], at)
            self.reconnects += 1
        elif event.kind == "moved":
            self.moves += 1


class Reconnects:
    declaration = ProbeDeclaration(
        name="wifi.reconnects",
        title="Wireless link over time",
        what=(
            "Watches a wireless link for some seconds and tells each loss and each reconnect with its time, as "
            "the kernel reports them. A radio that is not seated, or an antenna lead that moves, loses its link "
            "again and again. Move the unit meanwhile if the fault comes with movement."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="interface", kind="text", what="Which interface was watched."),
            ReadingDeclaration(name="losses", kind="number", unit="1", what="How often the link was lost."),
            ReadingDeclaration(
                name="ended_by_access_point",
                kind="number",
                unit="1",
                what="Of these, how often the access point ended it.",
            ),
            ReadingDeclaration(name="reconnects", kind="number", unit="1", what="How often it came back."),
            ReadingDeclaration(
                name="moves", kind="number", unit="1", what="How often it went over to another access point."
            ),
            ReadingDeclaration(
                name="loss_times", kind="text", what="When the link was lost, and for how long; or none."
            ),
            ReadingDeclaration(
                name="first_loss_at", kind="number", unit="s", what="When it was lost first.", optional=True
            ),
            ReadingDeclaration(
                name="longest_loss", kind="number", unit="s", what="Longest time without link.", optional=True
            ),
            ReadingDeclaration(
                name="connected_at_end", kind="yes-no", what="Whether there was a link at the end."
            ),
        ),
        services=("radio",),
        sources=("Linux include/uapi/linux/nl80211.h (NL80211_CMD_CONNECT, _ROAM, _DISCONNECT)",),
        example="""\
[[checks]]
id = "wifi-holds"
title = "Wireless link holds for a minute"
probe = "wifi.reconnects"
settings = { interface = "wlan0", reference = "bench-reference", seconds = 60.0 }
needs = ["reference-access-point"]
timeout = "90 s"
limits = [
  { reading = "losses", at_most = 0, source = "judgement" },
  { reading = "connected_at_end", is = true, source = "judgement" },
]
""",
        lasts=lambda settings: settings.seconds,
        timeout=90.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such an interface; NotPossible without the link to begin with."""
        radio, clocks = radio_of(host), host.clocks
        interface = await wireless.one_interface(radio, settings.interface)
        seen = _Seen()
        async with radio.watch(interface.name) as watch:
            first = await radio.stations(interface.name)
            if interface.kind != "station" or not first:
                raise NotPossible(
                    f"{interface.name} has no access point to begin with: there is no link that could be watched"
                )
            named = settings.reference, settings.access_point
            if not wireless.is_reference(interface.network, first[0].address, *named):
                raise NotPossible(f"{interface.name} is connected to another access point than the reference")
            began = clocks.loop()
            while (left := settings.seconds - (clocks.loop() - began)) > 0:
                if (event := await watch.next(left)) is not None:
                    seen.see(event, event.at - began)
        last = await radio.stations(interface.name)
        at = f"{wireless.NL80211}, {interface.name}: events"
        for reading in _readings(seen, settings.seconds, at, connected=bool(last)):
            yield reading
        yield Reading(name="interface", value=interface.name, origin=at, exact=True)


def _readings(seen: _Seen, seconds: float, at: str, *, connected: bool) -> list[Reading]:
    told = [
        f"at {began:.1f} s for {(seconds if ended is None else ended) - began:.1f} s"
        + (", not back by the end" if ended is None else "")
        for began, ended in seen.losses[:TIMES_TOLD]
    ]
    if len(seen.losses) > TIMES_TOLD:
        told.append(f"{len(seen.losses) - TIMES_TOLD} more")
    found = [
        Reading(name=name, value=value, unit="1", origin=at, exact=True)
        for name, value in (
            ("losses", len(seen.losses)),
            ("ended_by_access_point", seen.by_far_end),
            ("reconnects", seen.reconnects),
            ("moves", seen.moves),
        )
    ]
    found.append(Reading(name="loss_times", value="; ".join(told) or "none", origin=at, exact=True))
    if seen.losses:
        longest = max((seconds if ended is None else ended) - began for began, ended in seen.losses)
        found.append(Reading(name="first_loss_at", value=seen.losses[0][0], unit="s", origin=at))
        found.append(Reading(name="longest_loss", value=longest, unit="s", origin=at))
    found.append(Reading(name="connected_at_end", value=connected, origin=at, exact=True))
    return found
