"""The wired network port: its link, its speed, its errors."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent, NotPossible
from verifier.gather.peer.words import NETWORK
from verifier.gather.probes.attributes import names_in, number_of, text_of
from verifier.gather.probes.link import (
    CHANGES,
    CHANGES_SEEN,
    ERRORS_SEEN,
    LINK,
    NET,
    counter,
    errors_of,
    speed_of,
)
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

ETHERNET = 1
"""ARPHRD_ETHER in include/uapi/linux/if_arp.h."""
IFF_UP = 0x1
"""The interface is switched on, in include/uapi/linux/if.h."""
_COUNTERS = ("rx_errors", "tx_errors", "rx_crc_errors", "rx_frame_errors", "collisions")


@dataclass(frozen=True, slots=True)
class Settings:
    interface: str = ""
    """Name of the interface, such as eth0; may be left out where the unit has one wired port."""
    seconds: float = 0.0
    """How long to watch for losses of the link, in seconds; 0 for not at all. Give the check a longer timeout."""

    def __post_init__(self) -> None:
        # 15 characters: IFNAMSIZ less its zero byte.
        if self.interface and not re.fullmatch(r"(?!\.)[^\s/:\x00]{1,15}", self.interface):
            raise ValueError(f"{self.interface!r} is no interface name, such as eth0")
        if not 0 <= self.seconds <= 86_400:
            raise ValueError("seconds lies between 0 and 86400")


class Link:
    declaration = ProbeDeclaration(
        name="ethernet.link",
        title="Wired network link",
        what=(
            "Reads link, negotiated speed, duplex and error counters of a wired network port, and on request "
            "watches for losses of the link over some seconds. A link needs a cable and a far end."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="interface", kind="text", what="Which interface was read."),
            ReadingDeclaration(name="enabled", kind="yes-no", what="Whether the interface is switched on."),
            *LINK,
            *(counter(name) for name in (CHANGES, *_COUNTERS)),
            CHANGES_SEEN,
            ERRORS_SEEN,
        ),
        holds=(NETWORK,),
        sources=(
            "Linux Documentation/ABI/testing/sysfs-class-net (carrier, duplex, flags, speed, type)",
            "Linux Documentation/ABI/testing/sysfs-class-net-statistics (rx_errors, tx_errors, ...)",
            "Linux net/core/net-sysfs.c (carrier_changes; EINVAL while an interface is down)",
        ),
        example="""\
[[checks]]
id = "lan"
title = "Network port"
probe = "ethernet.link"
settings = { interface = "eth0", seconds = 10.0 }
covers = ["lan"]
timeout = "30 s"
limits = [
  { reading = "carrier", is = true, source = "maker" },
  { reading = "speed", equals = 1000, unit = "Mbit/s", source = "maker" },
  { reading = "duplex", equals = "full", source = "IEEE 802.3, clause 40" },
  { reading = "carrier_changes_seen", equals = 0, unit = "1", source = "judgement" },
]
""",
        lasts=lambda settings: settings.seconds,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such a port; NotPossible when a choice is left open, or to watch a recording."""
        if settings.seconds and host.address.startswith("recorded:"):
            raise NotPossible("a recorded tree stands still: the link cannot be watched over recorded")
        name = settings.interface or await _only_port(host.files)
        at = f"{NET}/{name}"
        if not await host.files.exists(f"{at}/type"):
            raise Absent(f"there is no network interface {name}")
        yield Reading(name="interface", value=name, origin=at, exact=True)
        yield Reading(name="enabled", value=await _enabled(host.files, at), origin=f"{at}/flags", exact=True)
        carrier = await number_of(host.files, f"{at}/carrier")
        if carrier is not None:
            yield Reading(name="carrier", value=carrier == 1, origin=f"{at}/carrier", exact=True)
        speed = await speed_of(host.files, at)
        if speed is not None:
            yield Reading(name="speed", value=speed, unit="Mbit/s", origin=f"{at}/speed", exact=True)
        duplex = await text_of(host.files, f"{at}/duplex")
        if duplex in ("half", "full"):
            yield Reading(name="duplex", value=duplex, origin=f"{at}/duplex", exact=True)
        for name, path in _paths(at).items():
            count = await number_of(host.files, path)
            if count is not None and count >= 0:
                yield Reading(name=name, value=count, unit="1", origin=path, exact=True)
        if settings.seconds:
            before = await _watched(host.files, at)
            await host.clocks.sleep(settings.seconds)
            after = await _watched(host.files, at)
            for seen in (one for one in before if one in after):
                yield Reading(name=seen, value=max(0, after[seen] - before[seen]), unit="1", origin=at, exact=True)


def _paths(at: str) -> dict[str, str]:
    return {CHANGES: f"{at}/{CHANGES}", **{name: f"{at}/statistics/{name}" for name in _COUNTERS}}


async def _watched(files: Files, at: str) -> dict[str, int]:
    found = {
        CHANGES_SEEN.name: await number_of(files, f"{at}/{CHANGES}"),
        ERRORS_SEEN.name: await errors_of(files, at),
    }
    return {name: count for name, count in found.items() if count is not None}


async def _enabled(files: Files, at: str) -> bool:
    text = await text_of(files, f"{at}/flags") or ""
    return bool(int(text, 16) & IFF_UP) if re.fullmatch(r"0x[0-9a-fA-F]{1,8}", text) else False


async def _only_port(files: Files) -> str:
    ports = [name for name in (await names_in(files, NET))[:256] if await _is_wired(files, f"{NET}/{name}")]
    if not ports:
        raise Absent("this host has no wired network port")
    if len(ports) > 1:
        raise NotPossible(
            f"this host has several wired ports ({', '.join(ports[:10])}): name one in the check's settings"
        )
    return ports[0]


async def _is_wired(files: Files, at: str) -> bool:
    """An Ethernet port with a device behind it that is no radio: no bridge, bond, VLAN or tunnel."""
    if await number_of(files, f"{at}/type") != ETHERNET:
        return False
    names = await names_in(files, at)
    return "device" in names and not {"wireless", "phy80211"} & set(names)
