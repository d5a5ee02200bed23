"""Whether a radio hears the reference access point, without being connected to it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass

from verifier.gather.probes import wireless
from verifier.gather.probes.attributes import refuse_bad_interface
from verifier.gather.radio import RadioNetwork, radio_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

FRESH = 10_000
"""Milliseconds: what was heard longer ago was not heard in this scan."""


@dataclass(frozen=True, slots=True)
class Settings:
    reference: str = ""
    """Name of the network of the reference access point."""
    access_point: str = ""
    """Its hardware address (BSSID), where several serve that network, or instead of the name."""
    interface: str = ""
    """Name of the interface, such as wlan0; may be left out where the unit has one."""
    scans: int = 3
    """How often it listens; each scan hears some access points and misses others."""

    def __post_init__(self) -> None:
        refuse_bad_interface(self.interface)
        wireless.refuse_bad_reference(self.reference, self.access_point)
        if not (self.reference or self.access_point) or not 1 <= self.scans <= 20:
            raise ValueError("name the reference or its access_point; scans lies between 1 and 20")


class Scan:
    declaration = ProbeDeclaration(
        name="wifi.scan",
        title="Wireless scan",
        what=(
            "Has a radio listen on all channels and tells whether it hears the reference access point, and "
            "how strongly. Needs no connection and no password. Of other networks only the number is given. "
            "The level is the driver's, over all chains: one antenna that is off may hide behind the other."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="interface", kind="text", what="Which interface listened."),
            ReadingDeclaration(name="heard", kind="yes-no", what="Whether the reference was heard at all."),
            ReadingDeclaration(name="heard_in", kind="number", unit="1", what="Scans that heard it."),
            ReadingDeclaration(name="scans", kind="number", unit="1", what="Scans made."),
            ReadingDeclaration(
                name="others", kind="number", unit="1", what="Other access points heard, all scans together."
            ),
            ReadingDeclaration(
                name="level",
                kind="number",
                unit="dBm",
                what="Its level, that of the mean power of the scans; missing where the driver gives none in dBm.",
                optional=True,
            ),
            *wireless.PLACE,
            ReadingDeclaration(
                name="access_point",
                kind="text",
                what="Its hardware address (BSSID). A personal field.",
                personal=True,
                optional=True,
            ),
        ),
        services=("radio",),
        privileges=("CAP_NET_ADMIN to start a scan (root)",),
        sources=(
            *wireless.SOURCES,
            "Linux include/uapi/linux/nl80211.h (enum nl80211_bss; NL80211_CMD_TRIGGER_SCAN)",
            "IEEE 802.11, 9.4.2.2 (SSID element)",
        ),
        example="""\
[[checks]]
id = "wifi-scan"
title = "Radio module hears the reference access point"
probe = "wifi.scan"
settings = { reference = "bench-reference", scans = 3 }
needs = ["reference-access-point"]
limits = [{ reading = "heard_in", at_least = 2, unit = "1", source = "judgement" }]
""",
        timeout=90.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such an interface; NotPossible where it may not scan."""
        radio = radio_of(host)
        interface = await wireless.one_interface(radio, settings.interface)
        found: list[RadioNetwork] = []
        others: set[str] = set()
        for _ in range(settings.scans):
            heard = [n for n in await radio.scan(interface.name) if n.age is None or n.age <= FRESH]
            if (reference := _reference(heard, settings)) is not None:
                found.append(reference)
            others |= {n.address for n in heard if not _is_reference(n, settings)}
        at = f"{wireless.NL80211}, {interface.name}: NL80211_CMD_GET_SCAN"
        yield Reading(name="interface", value=interface.name, origin=at, exact=True)
        yield Reading(name="heard", value=bool(found), origin=at, exact=True)
        yield Reading(name="heard_in", value=len(found), unit="1", origin=at, exact=True)
        yield Reading(name="scans", value=settings.scans, unit="1", origin=at, exact=True)
        yield Reading(name="others", value=len(others), unit="1", origin=at, exact=True)
        if not found:
            return
        if levels := wireless.levels_of(n.level for n in found):
            yield wireless.level_reading("level", levels, f"{at}, NL80211_BSS_SIGNAL_MBM")
        for reading in wireless.place_readings(found[-1].frequency, f"{at}, NL80211_BSS_FREQUENCY"):
            yield reading
        address = f"{at}, NL80211_BSS_BSSID"
        yield Reading(name="access_point", value=found[-1].address, origin=address, exact=True)


def _is_reference(network: RadioNetwork, settings: Settings) -> bool:
    return wireless.is_reference(network.network, network.address, settings.reference, settings.access_point)


def _reference(heard: Sequence[RadioNetwork], settings: Settings) -> RadioNetwork | None:
    """The strongest of those that are the reference: one access point may serve its network on two bands."""
    fitting = [network for network in heard if _is_reference(network, settings)]
    return max(fitting, key=lambda n: -1000.0 if n.level is None else n.level, default=None)
