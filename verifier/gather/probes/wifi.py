"""Signal of a wireless interface: of each chain, as its driver reports it; else by the kernel's old statistics."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass, replace

from verifier.errors import Absent, NotPossible
from verifier.gather.probes import wireless
from verifier.gather.probes.attributes import NO_VALUE, names_in, number_of, refuse_bad_interface
from verifier.gather.radio import Radio, RadioInterface, radio_of
from verifier.readings import Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Clocks, Files, Host

NET = "/sys/class/net"
WIRELESS = "/proc/net/wireless"
INTERFACES_LIMIT = 256
LOWEST_LEVEL = -192
"""Lowest level in dBm that stands for one: range of qual.level in include/uapi/linux/wireless.h. Below it the
byte was 0 or not set: -256 is "no value"."""
_LINE = re.compile(
    r"\s*(?P<interface>[^\s:]{1,15}): (?P<status>[0-9a-f]{4})\s+(?P<link>-?\d{1,4})(?P<new_link>[. ])"
    r"\s+(?P<level>-?\d{1,4})(?P<new_level>[. ])\s+(?P<noise>-?\d{1,4})(?P<new_noise>[. ]).*"
)


@dataclass(frozen=True, slots=True)
class Settings:
    interface: str = ""
    """Name of the interface, such as wlan0; may be left out where the unit has one."""
    reference: str = ""
    """Name of the network of the reference access point: levels of any other are not given."""
    access_point: str = ""
    """Its hardware address (BSSID), where several serve that network."""
    samples: int = 20
    """How often the levels are read."""
    interval: float = 0.25
    """Seconds between them; an access point is heard about ten times a second."""

    def __post_init__(self) -> None:
        refuse_bad_interface(self.interface)
        wireless.refuse_bad_reference(self.reference, self.access_point)
        if not (1 <= self.samples <= 1000 and 0.05 <= self.interval <= 10):
            raise ValueError("samples lies between 1 and 1000, interval between 0.05 and 10 s")

    @property
    def names_reference(self) -> bool:
        return bool(self.reference or self.access_point)


class Signal:
    declaration = ProbeDeclaration(
        name="wifi.signal",
        title="Wireless signal",
        what=(
            "Reads how strongly each chain of a radio receives its access point, and all together, as the mean "
            "power of some samples. Put the reference access point at its marked place, name it in the settings, "
            "and connect the unit to it. An antenna that is off lowers its own chain by 15 dB and more, but the "
            "whole hardly more than place and people do: limit the chains. The driver's figures are no calibrated "
            "measurement and move by several dB: stated here are only their step of 1 dB and the scatter of the "
            "samples; what receiver and place add, a study or the author has to state. Where no radio can be "
            "asked it falls back to /proc/net/wireless, which knows neither chains nor the access point; the "
            "reading source tells which it was."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="interfaces", kind="number", unit="1", what="Wireless interfaces present."),
            ReadingDeclaration(name="interface", kind="text", what="Which one was read."),
            ReadingDeclaration(
                name="source", kind="text", what="nl80211, or /proc/net/wireless as the fall-back."
            ),
            ReadingDeclaration(
                name="connected", kind="yes-no", what="Whether it has an access point.", optional=True
            ),
            ReadingDeclaration(
                name="reference",
                kind="yes-no",
                what="Whether that is the access point which the settings name.",
                optional=True,
            ),
            ReadingDeclaration(
                name="network",
                kind="text",
                what="Name of its network. A personal field.",
                personal=True,
                optional=True,
            ),
            ReadingDeclaration(
                name="access_point",
                kind="text",
                what="Hardware address of its access point (BSSID). A personal field.",
                personal=True,
                optional=True,
            ),
            *wireless.PLACE,
            ReadingDeclaration(
                name="antennas", kind="number", unit="1", what="Receive antennas of the radio.", optional=True
            ),
            wireless.SAMPLED,
            *wireless.LEVELS,
            *wireless.RATES,
            *wireless.COUNTS,
            ReadingDeclaration(
                name="noise", kind="number", unit="dBm", what="Noise there (fall-back).", optional=True
            ),
            ReadingDeclaration(
                name="quality",
                kind="number",
                unit="1",
                what="Link quality on the driver's own scale (fall-back).",
                optional=True,
            ),
            ReadingDeclaration(
                name="level_plain",
                kind="number",
                unit="1",
                what="Level on the driver's own scale, where that is not dBm (fall-back).",
                optional=True,
            ),
            ReadingDeclaration(
                name="fresh",
                kind="yes-no",
                what="Whether the level is new since it was last read (fall-back).",
                optional=True,
            ),
        ),
        sources=(
            *wireless.SOURCES,
            "Linux net/wireless/wext-proc.c (layout of /proc/net/wireless; 256 is taken off a level in dBm)",
            "Linux include/uapi/linux/wireless.h (iw_quality: level from -192 to 63 dBm)",
            "Linux Documentation/ABI/testing/sysfs-class-net (phy80211, type)",
            "JCGM 100, 4.2.3 and 5.1.2 (uncertainty of a mean, and of the difference of two)",
        ),
        example="""\
[[checks]]
id = "antennas"
title = "Both antennas hear the reference access point"
probe = "wifi.signal"
settings = { interface = "wlan0", reference = "bench-reference" }
needs = ["reference-access-point"]
repeat = { times = 3, pool = "mean" }
uncertainty = [
  { reading = "chain_0", u = 2.5, unit = "dB", source = "study, 30 good units", basis = "study" },
  { reading = "chain_1", u = 2.5, unit = "dB", source = "study, 30 good units", basis = "study" },
]
limits = [
  { reading = "reference", is = true, source = "set-up of the bench" },
  { reading = "chain_0", at_least = -62, unit = "dBm", source = "study, 30 good units" },
  { reading = "chain_1", at_least = -62, unit = "dBm", source = "study, 30 good units" },
]
""",
        lasts=lambda settings: settings.samples * settings.interval,
        timeout=30.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such an interface; NotPossible with a choice left open or no levels given."""
        if "radio" in host.services:
            radio = radio_of(host)
            interfaces = await radio.interfaces()
            if interfaces:
                interface = wireless.chosen(interfaces, settings.interface)
                yield Reading(
                    name="interfaces", value=len(interfaces), unit="1", origin=wireless.NL80211, exact=True
                )
                yield Reading(name="interface", value=interface.name, origin=wireless.NL80211, exact=True)
                yield Reading(name="source", value=wireless.NL80211, origin=wireless.NL80211, exact=True)
                if host.address.startswith("recorded:"):
                    settings = replace(settings, samples=1)  # it stands still
                async for reading in _link(radio, host.clocks, interface, settings):
                    yield reading
                return
        async for reading in _fall_back(host.files, settings):
            yield reading


async def _link(
    radio: Radio, clocks: Clocks, interface: RadioInterface, settings: Settings
) -> AsyncIterator[Reading]:
    at = f"{wireless.NL80211}, {interface.name}"
    if interface.kind != "station":
        raise NotPossible(
            f"{interface.name} is used as {interface.kind}, not to connect to an access point; who is "
            "connected to it, wifi.station tells"
        )
    if interface.antennas is not None:
        origin = f"{at}: NL80211_ATTR_WIPHY_ANTENNA_AVAIL_RX"
        yield Reading(name="antennas", value=interface.antennas, unit="1", origin=origin, exact=True)
    first = next(iter(await radio.stations(interface.name)), None)
    yield Reading(name="connected", value=first is not None, origin=f"{at}: NL80211_CMD_GET_STATION", exact=True)
    if settings.names_reference:
        found = first is not None and wireless.is_reference(
            interface.network, first.address, settings.reference, settings.access_point
        )
        yield Reading(name="reference", value=found, origin=at, exact=True)
        if not found:
            return  # a level of another access point would be read as the reference's
    if first is None:
        return
    name = wireless.network_text(interface.network)
    yield Reading(name="network", value=name, origin=f"{at}: NL80211_ATTR_SSID", exact=True)
    yield Reading(name="access_point", value=first.address, origin=f"{at}: NL80211_ATTR_MAC", exact=True)
    for reading in wireless.place_readings(interface.frequency, f"{at}: NL80211_ATTR_WIPHY_FREQ"):
        yield reading
    asked = settings.samples, settings.interval
    for reading in wireless.link_readings(
        await wireless.sampled(radio, clocks, interface.name, first, *asked), at
    ):
        yield reading


async def _fall_back(files: Files, settings: Settings) -> AsyncIterator[Reading]:
    lines = await _statistics(files)
    names = await _interfaces(files, lines)
    name = _chosen(names, settings.interface)
    if settings.names_reference:
        raise NotPossible(
            f"here only {WIRELESS} is to be had, which tells neither the access point nor single chains, so that "
            "nothing shows whether it is the reference"
        )
    if name not in lines:
        raise NotPossible(f"the kernel gives no signal level of {name} in {WIRELESS}")
    yield Reading(name="interfaces", value=len(names), unit="1", origin=NET, exact=True)
    yield Reading(name="interface", value=name, origin=WIRELESS, exact=True)
    yield Reading(name="source", value=WIRELESS, origin=WIRELESS, exact=True)
    line = lines[name]
    for reading, text in (("level", line["level"]), ("noise", line["noise"])):
        if LOWEST_LEVEL <= int(text) < 0:
            step = Contribution.resolution(1.0, note="given in whole dB")
            yield Reading(name=reading, value=int(text), unit="dBm", origin=WIRELESS, contributions=(step,))
    # A negative number has had 256 taken off and is in dBm. Anything else has no unit: 191 may be -65 dBm
    # or 191 of 255, and nothing here can tell which.
    if int(line["level"]) >= 0:
        yield Reading(name="level_plain", value=int(line["level"]), unit="1", origin=WIRELESS, exact=True)
    if int(line["link"]) >= 0:
        yield Reading(name="quality", value=int(line["link"]), unit="1", origin=WIRELESS, exact=True)
    yield Reading(name="fresh", value=line["new_level"] == ".", origin=WIRELESS, exact=True)


async def _statistics(files: Files) -> dict[str, re.Match[str]]:
    try:
        text = (await files.read(WIRELESS)).decode("utf-8", "replace")
    except OSError as error:
        if error.errno in NO_VALUE:
            return {}
        raise
    matches = [m for line in text.splitlines() if (m := _LINE.fullmatch(line[:300]))]
    return {m["interface"]: m for m in matches[:INTERFACES_LIMIT]}


async def _interfaces(files: Files, lines: dict[str, re.Match[str]]) -> list[str]:
    found = set(lines)
    for name in (await names_in(files, NET))[:INTERFACES_LIMIT]:
        at = f"{NET}/{name}"
        # Monitors and the master interfaces of old kernels share the radio; their type is another.
        if {"wireless", "phy80211"} & set(await names_in(files, at)) and await number_of(files, f"{at}/type") == 1:
            found.add(name)
    return sorted(found)


def _chosen(names: list[str], wanted: str) -> str:
    if not names:
        raise Absent("this host has no wireless interface")
    if wanted:
        if wanted not in names:
            raise Absent(f"there is no wireless interface {wanted}; there are {', '.join(names[:10])}")
        return wanted
    if len(names) > 1:
        raise NotPossible(
            f"this host has several wireless interfaces ({', '.join(names[:10])}): name one in the settings"
        )
    return names[0]
