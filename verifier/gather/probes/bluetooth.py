"""Bluetooth adapters: are they there, are they let, and do they hear?"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent
from verifier.gather.probes.advertising import local_name, structures
from verifier.gather.probes.attributes import names_in, number_of
from verifier.gather.probes.wireless import level_reading, levels_of
from verifier.gather.radio import Advertisement, radio_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

BLUETOOTH = "/sys/class/bluetooth"
_BLOCKED = (0, 2)
"""rfkill states: soft blocked and hard blocked; 1 is free."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Takes no settings."""


class Adapter:
    declaration = ProbeDeclaration(
        name="bluetooth.adapter",
        title="Bluetooth adapter",
        what=(
            "Counts the Bluetooth adapters and tells whether a switch or the software blocks them. Whether the "
            "antenna is on, it cannot tell: bluetooth.beacon does."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="adapters", kind="number", unit="1", what="Adapters there are."),
            ReadingDeclaration(name="first", kind="text", what="Name of the first, such as hci0."),
            ReadingDeclaration(
                name="blocked", kind="yes-no", what="Whether the first is switched off.", optional=True
            ),
        ),
        sources=(
            "Linux net/bluetooth/hci_sysfs.c (hciN; connections are hciN:HANDLE)",
            "Linux Documentation/ABI/stable/sysfs-class-rfkill (state 0 soft blocked, 1 free, 2 hard blocked)",
        ),
        example="""\
[[checks]]
id = "bluetooth"
title = "Radio module has Bluetooth"
probe = "bluetooth.adapter"
limits = [
  { reading = "adapters", equals = 1, unit = "1", source = "maker" },
  { reading = "blocked", is = false, source = "judgement" },
]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without an adapter."""
        names = [n for n in await names_in(host.files, BLUETOOTH) if re.fullmatch(r"hci\d{1,3}", n)]
        if not names:
            raise Absent("this host has no Bluetooth adapter")
        yield Reading(name="adapters", value=len(names), unit="1", origin=BLUETOOTH, exact=True)
        yield Reading(name="first", value=names[0], origin=f"{BLUETOOTH}/{names[0]}", exact=True)
        state, origin = await _switch(host.files, f"{BLUETOOTH}/{names[0]}")
        if state in (0, 1, 2):
            yield Reading(name="blocked", value=state in _BLOCKED, origin=origin, exact=True)


async def _switch(files: Files, at: str) -> tuple[int | None, str]:
    for name in await names_in(files, at):
        if re.fullmatch(r"rfkill\d{1,4}", name):
            return await number_of(files, f"{at}/{name}/state"), f"{at}/{name}/state"
    return None, at


@dataclass(frozen=True, slots=True)
class BeaconSettings:
    name: str = ""
    """Local name that the reference beacon sends."""
    address: str = ""
    """Its hardware address, where that does not change."""
    holds: str = ""
    """Bytes somewhere in what it sends, as hexadecimal digits: an identifier printed on it, say."""
    adapter: str = "hci0"
    """The adapter that listens."""
    seconds: float = 12.0
    """How long it listens."""

    def __post_init__(self) -> None:
        if not re.fullmatch(r"hci\d{1,3}", self.adapter) or not 1 <= self.seconds <= 600:
            raise ValueError("adapter is a name such as hci0, seconds lies between 1 and 600")
        if self.address and not re.fullmatch(r"[0-9a-fA-F]{2}(:[0-9a-fA-F]{2}){5}", self.address):
            raise ValueError(f"{self.address[:40]!r} is no hardware address, such as 02:00:5e:10:00:01")
        if self.holds and not re.fullmatch(r"([0-9a-fA-F]{2}){2,31}", self.holds):
            raise ValueError("holds is 2 to 31 bytes as hexadecimal digits")
        if not (self.name or self.address or self.holds):
            raise ValueError("say how the reference beacon is known: by name, address, or what it holds")

    def known(self, heard: Advertisement) -> bool:
        """Whether this comes from the reference beacon: all that the settings say must fit."""
        if self.address and heard.address != self.address.lower():
            return False
        if self.name and local_name(heard.data) != self.name:
            return False
        wanted = bytes.fromhex(self.holds)
        return any(wanted in part.data for part in structures(heard.data)) if wanted else True


class Beacon:
    declaration = ProbeDeclaration(
        name="bluetooth.beacon",
        title="Bluetooth beacon heard",
        what=(
            "Listens for Bluetooth Low Energy advertisements and tells whether a reference beacon at its marked "
            "place was heard, how often and how strongly. An antenna lead that is off shows here. The level is "
            "the adapter's own figure and moves by several dB: the suite's own statement has to say how far. A "
            "beacon that sends its name only when it is asked for it is heard a little later."
        ),
        settings=BeaconSettings,
        readings=(
            ReadingDeclaration(name="heard", kind="yes-no", what="Whether the reference beacon was heard."),
            ReadingDeclaration(name="times", kind="number", unit="1", what="How often the kernel told of it."),
            ReadingDeclaration(name="others", kind="number", unit="1", what="Other devices heard meanwhile."),
            ReadingDeclaration(
                name="level", kind="number", unit="dBm", what="Its level: that of the mean power.", optional=True
            ),
        ),
        services=("radio",),
        privileges=("CAP_NET_ADMIN to have an adapter listen (root)",),
        sources=(
            "Linux include/net/bluetooth/mgmt.h (Start Discovery, Device Found)",
            "Bluetooth Core Specification, Vol 3, Part C, 11 (advertising data)",
        ),
        example="""\
[[checks]]
id = "bluetooth-hears"
title = "Bluetooth hears the reference beacon"
probe = "bluetooth.beacon"
settings = { name = "bench-beacon", seconds = 12.0 }
needs = ["reference-beacon"]
uncertainty = [{ reading = "level", u = 4, unit = "dB", source = "study, 30 good units", basis = "study" }]
limits = [
  { reading = "heard", is = true, source = "judgement" },
  { reading = "level", at_least = -75, unit = "dBm", source = "study, 30 good units" },
]
""",
        lasts=lambda settings: settings.seconds,
        timeout=60.0,
    )

    async def take(self, host: Host, settings: BeaconSettings) -> AsyncIterator[Reading]:
        """Raises Absent without such an adapter; NotPossible where it may not listen."""
        heard = await radio_of(host).advertisements(settings.adapter, settings.seconds)
        reference = [one for one in heard if settings.known(one)]
        others = {one.address for one in heard} - {one.address for one in reference}
        at = f"{settings.adapter}: MGMT_EV_DEVICE_FOUND"
        yield Reading(name="heard", value=bool(reference), origin=at, exact=True)
        yield Reading(name="times", value=len(reference), unit="1", origin=at, exact=True)
        yield Reading(name="others", value=len(others), unit="1", origin=at, exact=True)
        if levels := levels_of(one.level for one in reference):
            yield level_reading("level", levels, at)
