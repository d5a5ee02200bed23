"""A USB socket under a hand: the device goes in while the port is watched, and with Type-C either way up."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.attributes import text_of
from verifier.gather.probes.usb import DEVICES, SOURCES, DeviceSettings, speed_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host
from verifier.steps import Act, Cue

LOOK = 0.2
"""Seconds between two looks at the port."""
SETTLED = 1.0
"""Seconds that a device has to stay before its speed is read (judgement): a bad contact lets it come and go."""


@dataclass(frozen=True, slots=True)
class Settings(DeviceSettings):
    label: str = ""
    """The marking of the socket as the technician reads it; the path where it is left out."""
    both_ways: bool = False
    """Whether the plug goes in a second time, turned over: a Type-C socket has its contacts twice."""
    patience: float = 30.0
    """Seconds to wait for each step, 1 to 300."""

    def __post_init__(self) -> None:
        # Named, since `super()` finds no class in a dataclass with slots.
        DeviceSettings.__post_init__(self)
        if not 1 <= self.patience <= 300:
            raise ValueError("patience is 1 to 300 seconds")
        if not (self.label.isprintable() and len(self.label) <= 60):
            raise ValueError("label is a short printable text")


def _readings_of(suffix: str, how: str, *, optional: bool) -> tuple[ReadingDeclaration, ...]:
    return (
        ReadingDeclaration(
            name=f"path{suffix}", kind="text", what=f"Where the device turned up{how}.", optional=optional
        ),
        ReadingDeclaration(
            name=f"speed{suffix}",
            kind="number",
            unit="Mbit/s",
            what=f"Signalling rate{how}: 1.5, 12, 480, 5000, 10000 or 20000.",
            optional=True,
        ),
        ReadingDeclaration(
            name=f"fell_back{suffix}",
            kind="yes-no",
            what=f"Whether it turned up at or_path instead{how}: the fast contacts of the socket, or the joint "
            "behind it, carried nothing. Given where or_path is set.",
            optional=True,
        ),
        ReadingDeclaration(
            name=f"came_and_went{suffix}",
            kind="number",
            unit="1",
            what=f"Times that it vanished again within a second of turning up{how}.",
            optional=optional,
        ),
    )


class Plug:
    declaration = ProbeDeclaration(
        name="usb.plug",
        title="USB device, plugged in",
        what=(
            "Has the technician plug a known good device into one socket, and reads where it turns up and how "
            "fast it runs. Whatever is plugged in there is to be pulled out first, so that the contacts are "
            "really made while it watches. With both_ways the plug goes in a second time, turned over. Absent "
            "when nothing turns up in time. The probe reads the port and nothing of what is on the device."
        ),
        settings=Settings,
        readings=(
            *_readings_of("", "", optional=False),
            *_readings_of("_turned", " with the plug turned over", optional=True),
        ),
        sources=SOURCES,
        example="""\
[[checks]]
id = "usb-3-plug"
title = "Front port 3, either way up"
probe = "usb.plug"
settings = { path = "2-3", or_path = "1-3", label = "3", both_ways = true }
covers = ["usb-3"]
limits = [
  { reading = "fell_back", is = false, source = "maker" },
  { reading = "fell_back_turned", is = false, source = "maker" },
  { reading = "speed", at_least = 10000, unit = "Mbit/s", source = "maker" },
  { reading = "speed_turned", at_least = 10000, unit = "Mbit/s", source = "maker" },
]
""",
        cues=True,
        timeout=1800.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises Absent when nothing turns up; NotPossible when it is not pulled out, and on a recorded tree."""
        if not await host.files.exists(DEVICES):
            raise Absent("this host has no USB")
        if host.address.startswith("recorded:"):
            raise NotPossible("a recorded unit stands still: nobody can plug anything into it")
        socket = f"the socket marked {settings.label}" if settings.label else f"the USB socket at {settings.path}"
        within = f"within {settings.patience:g} s"
        for turn in range(2 if settings.both_ways else 1):
            if await _found(host, settings):
                yield Cue(say=f"Pull the plug out of {socket}, {within}.", act="pull", at=settings.path)
                await _gone(host, settings)
            elif not turn:  # who has to look for it first would make the unit fail
                yield Cue(say="Take the test device to hand, and go on.", wait=True)
            over = "Turn the plug over, and put it back" if turn else "Put the plug of the test device"
            act: Act = "turn over" if turn else "put in"
            yield Cue(say=f"{over} into {socket}, {within}.", act=act, at=settings.path)
            path, went = await _settled(host, settings)
            suffix, at = "_turned" * turn, f"{DEVICES}/{path}"
            yield Reading(name=f"path{suffix}", value=path, origin=at, exact=True)
            yield Reading(name=f"came_and_went{suffix}", value=went, unit="1", origin=at, exact=True)
            if settings.or_path:
                yield Reading(name=f"fell_back{suffix}", value=path != settings.path, origin=at, exact=True)
            if (speed := speed_of(await text_of(host.files, f"{at}/speed"))) is not None:
                origin = f"{at}/speed"
                yield Reading(name=f"speed{suffix}", value=speed, unit="Mbit/s", origin=origin, exact=True)


async def _found(host: Host, settings: Settings) -> str:
    for path in (settings.path, settings.or_path):
        if path and await host.files.exists(f"{DEVICES}/{path}/idVendor"):
            return path
    return ""


async def _gone(host: Host, settings: Settings) -> None:
    end = host.clocks.boot() + settings.patience
    while await _found(host, settings):
        if host.clocks.boot() >= end:
            raise NotPossible(
                f"the device was not pulled out within {settings.patience:g} s",
                to_do="If it was, another device answers at this path: look at the paths in the suite.",
            )
        await host.clocks.sleep(LOOK)


async def _settled(host: Host, settings: Settings) -> tuple[str, int]:
    """Where a device is that stays, and how often one came and went before."""
    end, went, since, here = host.clocks.boot() + settings.patience, 0, 0.0, ""
    while True:
        now, path = host.clocks.boot(), await _found(host, settings)
        if path != here:
            went += bool(here)
            here, since = path, now
        if here and now - since >= SETTLED:
            return here, went
        if now >= end and not here:
            break
        if now >= end + settings.patience:  # it never stays
            break
        await host.clocks.sleep(LOOK)
    paths = " or ".join(p for p in (settings.path, settings.or_path) if p)
    again = f"; one came and went {went} times" if went else ""
    raise Absent(f"nothing stayed at USB path {paths} within {settings.patience:g} s{again}")
