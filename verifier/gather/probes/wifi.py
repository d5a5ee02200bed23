"""Signal of a wireless interface, as the kernel's own statistics give it."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.attributes import NO_VALUE, names_in, number_of
from verifier.readings import Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

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

    def __post_init__(self) -> None:
        if self.interface and not re.fullmatch(r"(?!\.)[^\s/:\x00]{1,15}", self.interface):
            raise ValueError(f"{self.interface!r} is no interface name, such as wlan0")


class Signal:
    declaration = ProbeDeclaration(
        name="wifi.signal",
        title="Wireless signal",
        what=(
            "Reads how strongly a wireless interface receives its access point. Put the reference access point at "
            "its marked place, and repeat the readings: one alone means little. No uncertainty but the step of "
            "1 dB is stated: what receivers and places add, the suite's own statement has to say."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="interfaces", kind="number", unit="1", what="Wireless interfaces present."),
            ReadingDeclaration(name="interface", kind="text", what="Which one was read."),
            ReadingDeclaration(
                name="level",
                kind="number",
                unit="dBm",
                what="Received level; missing without a connection, and where the driver gives none in dBm.",
                optional=True,
            ),
            ReadingDeclaration(name="noise", kind="number", unit="dBm", what="Noise there.", optional=True),
            ReadingDeclaration(
                name="quality",
                kind="number",
                unit="1",
                what="Link quality on the driver's own scale.",
                optional=True,
            ),
            ReadingDeclaration(
                name="level_plain",
                kind="number",
                unit="1",
                what="Level on the driver's own scale, where that is not dBm.",
                optional=True,
            ),
            ReadingDeclaration(
                name="fresh", kind="yes-no", what="Whether the level is new since it was last read.", optional=True
            ),
        ),
        sources=(
            "Linux net/wireless/wext-proc.c (layout of /proc/net/wireless; 256 is taken off a level in dBm)",
            "Linux include/uapi/linux/wireless.h (iw_quality: level from -192 to 63 dBm)",
            "Linux Documentation/ABI/testing/sysfs-class-net (phy80211, type)",
        ),
        example="""\
[[checks]]
id = "wifi"
title = "Wireless signal at the marked place"
probe = "wifi.signal"
settings = { interface = "wlan0" }
needs = ["reference-access-point"]
repeat = { times = 5, pool = "median" }
uncertainty = [{ reading = "level", u = 2.5, unit = "dB", source = "study, 30 good units", basis = "study" }]
limits = [{ reading = "level", at_least = -62, unit = "dBm", source = "study, 30 good units" }]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such an interface; NotPossible with a choice left open or no levels given."""
        lines = await _statistics(host.files)
        names = await _interfaces(host.files, lines)
        name = _chosen(names, settings.interface)
        if name not in lines:
            raise NotPossible(f"the kernel gives no signal level of {name} in {WIRELESS}")
        yield Reading(name="interfaces", value=len(names), unit="1", origin=NET, exact=True)
        yield Reading(name="interface", value=name, origin=WIRELESS, exact=True)
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
