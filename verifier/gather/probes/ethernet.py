"""The wired network port: its link, its speed, its errors."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.attributes import names_in, number_of, text_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

NET = "/sys/class/net"
ETHERNET = 1
"""ARPHRD_ETHER in include/uapi/linux/if_arp.h."""
IFF_UP = 0x1
"""The interface is switched on, in include/uapi/linux/if.h."""
SPEED_UNKNOWN = 2**32 - 1
"""SPEED_UNKNOWN in include/uapi/linux/ethtool.h, as some drivers print it; others print -1."""

_COUNTERS = (
    ("rx_errors", "Frames received with an error, since the interface came up."),
    ("tx_errors", "Frames that could not be sent."),
    ("rx_crc_errors", "Frames received with a wrong check sequence."),
    ("rx_frame_errors", "Frames received with a wrong alignment."),
    ("collisions", "Collisions: on a full-duplex link there are none."),
)


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
            ReadingDeclaration(
                name="carrier",
                kind="yes-no",
                what="Whether there is a link; missing while the interface is switched off.",
                optional=True,
            ),
            ReadingDeclaration(
                name="speed",
                kind="number",
                unit="Mbit/s",
                what="Negotiated speed; missing while there is no link.",
                optional=True,
            ),
            ReadingDeclaration(name="duplex", kind="text", what="half or full.", optional=True),
            ReadingDeclaration(
                name="carrier_changes",
                kind="number",
                unit="1",
                what="How often the link came or went since the driver was loaded.",
                optional=True,
            ),
            *(
                ReadingDeclaration(name=name, kind="number", unit="1", what=what, optional=True)
                for name, what in _COUNTERS
            ),
            ReadingDeclaration(
                name="carrier_changes_seen",
                kind="number",
                unit="1",
                what="How often the link came or went while it was watched.",
                optional=True,
            ),
            ReadingDeclaration(
                name="errors_seen",
                kind="number",
                unit="1",
                what="Frames received or sent with an error while it was watched.",
                optional=True,
            ),
        ),
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
        speed = await number_of(host.files, f"{at}/speed")
        if speed is not None and 0 < speed < SPEED_UNKNOWN:
            yield Reading(name="speed", value=speed, unit="Mbit/s", origin=f"{at}/speed", exact=True)
        duplex = await text_of(host.files, f"{at}/duplex")
        if duplex in ("half", "full"):
            yield Reading(name="duplex", value=duplex, origin=f"{at}/duplex", exact=True)
        for counter, path in _paths(at).items():
            count = await number_of(host.files, path)
            if count is not None and count >= 0:
                yield Reading(name=counter, value=count, unit="1", origin=path, exact=True)
        if settings.seconds:
            before = await _watched(host.files, at)
            await host.clocks.sleep(settings.seconds)
            after = await _watched(host.files, at)
            for seen in (name for name in before if name in after):
                yield Reading(name=seen, value=max(0, after[seen] - before[seen]), unit="1", origin=at, exact=True)


def _paths(at: str) -> dict[str, str]:
    statistics = {name: f"{at}/statistics/{name}" for name, _ in _COUNTERS}
    return {"carrier_changes": f"{at}/carrier_changes", **statistics}


async def _watched(files: Files, at: str) -> dict[str, int]:
    changes = await number_of(files, f"{at}/carrier_changes")
    errors = [await number_of(files, f"{at}/statistics/{name}") for name in ("rx_errors", "tx_errors")]
    found = {} if changes is None else {"carrier_changes_seen": changes}
    known = [e for e in errors if e is not None]
    return {**found, "errors_seen": sum(known)} if known else found


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
