"""The unit's radio as the access point on the bench reports it."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass

from verifier.errors import Absent, NotPossible
from verifier.gather.probes import wireless
from verifier.gather.probes.attributes import refuse_bad_interface
from verifier.gather.radio import RadioStation, radio_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

_SERVES = ("access point", "access point VLAN", "P2P group owner")


@dataclass(frozen=True, slots=True)
class Settings:
    interface: str
    """The bench's interface that is the access point, such as wlan1."""
    station: str = ""
    """Hardware address of the unit's radio; may be left out where the unit alone is connected."""
    samples: int = 20
    """How often its levels are read."""
    interval: float = 0.25
    """Seconds between them."""

    def __post_init__(self) -> None:
        refuse_bad_interface(self.interface)
        if self.station and not re.fullmatch(r"[0-9a-fA-F]{2}(:[0-9a-fA-F]{2}){5}", self.station):
            raise ValueError(f"station {self.station[:40]!r} is no hardware address, such as 02:00:5e:10:00:01")
        if not self.interface or not (1 <= self.samples <= 1000 and 0.05 <= self.interval <= 10):
            raise ValueError("name the interface; samples lies between 1 and 1000, interval between 0.05 and 10 s")


class Station:
    declaration = ProbeDeclaration(
        name="wifi.station",
        title="Wireless unit, seen from the access point",
        what=(
            "Tells whether the unit is associated with an access point that the bench computer itself is, and "
            'how strongly its chains hear the unit. With seen_from = "bench" nothing has to run in the unit. The '
            "chains are the bench's, and each hears all antennas of the unit: one that is off lowers them all a "
            "little, and the rate and its streams most. Let the unit send something meanwhile: a silent one has "
            "old levels (the reading silent_for)."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(
                name="associated", kind="yes-no", what="Whether the unit is associated and may send data."
            ),
            ReadingDeclaration(name="stations", kind="number", unit="1", what="Stations that are associated."),
            ReadingDeclaration(
                name="address",
                kind="text",
                what="Hardware address of the unit's radio. A personal field.",
                personal=True,
                optional=True,
            ),
            *wireless.PLACE,
            wireless.SAMPLED,
            ReadingDeclaration(
                name="silent_for", kind="number", unit="ms", what="Since it was heard last.", optional=True
            ),
            *wireless.LEVELS,
            *wireless.RATES,
            *wireless.COUNTS,
        ),
        services=("radio",),
        sources=(
            *wireless.SOURCES,
            "JCGM 100, 4.2.3 and 5.1.2 (uncertainty of a mean, and of the difference of two)",
        ),
        example="""\
[[checks]]
id = "wifi-far-end"
title = "Radio module, as the bench's access point hears it"
probe = "wifi.station"
seen_from = "bench"
settings = { interface = "wlan1" }
needs = ["reference-access-point"]
uncertainty = [{ reading = "level", u = 3, unit = "dB", source = "study, 30 good units", basis = "study" }]
limits = [
  { reading = "associated", is = true, source = "judgement" },
  { reading = "level", at_least = -60, unit = "dBm", source = "study, 30 good units" },
  { reading = "received_streams", at_least = 2, unit = "1", source = "parts list" },
]
""",
        lasts=lambda settings: settings.samples * settings.interval,
        timeout=30.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises NotPossible where the interface is no access point, or where several stations are there."""
        radio = radio_of(host)
        try:
            interface = await wireless.one_interface(radio, settings.interface)
        except Absent as error:
            # The access point is the bench's: without it nothing is known of the unit.
            raise NotPossible(f"no access point to ask: {error.what}") from None
        at = f"{wireless.NL80211}, {interface.name}"
        if interface.kind not in _SERVES:
            raise NotPossible(f"{interface.name} is no access point: it is used as {interface.kind}")
        stations = await radio.stations(interface.name)
        unit = _unit(stations, settings.station)
        yield Reading(name="stations", value=len(stations), unit="1", origin=at, exact=True)
        associated = unit is not None and unit.authorised is not False
        yield Reading(name="associated", value=associated, origin=f"{at}: NL80211_CMD_GET_STATION", exact=True)
        if unit is None:
            return
        yield Reading(name="address", value=unit.address, origin=f"{at}: NL80211_ATTR_MAC", exact=True)
        for reading in wireless.place_readings(interface.frequency, f"{at}: NL80211_ATTR_WIPHY_FREQ"):
            yield reading
        asked = settings.samples, settings.interval
        samples = await wireless.sampled(radio, host.clocks, interface.name, unit, *asked)
        if (silent := samples[-1].silent) is not None:
            origin = f"{at}: NL80211_STA_INFO_INACTIVE_TIME"
            yield Reading(name="silent_for", value=silent, unit="ms", origin=origin, exact=True)
        for reading in wireless.link_readings(samples, at):
            yield reading


def _unit(stations: Sequence[RadioStation], address: str) -> RadioStation | None:
    if address:
        return next((s for s in stations if s.address == address.lower()), None)
    if len(stations) > 1:
        raise NotPossible(
            f"{len(stations)} stations are associated here: let the unit be the only one, or name its address"
        )
    return stations[0] if stations else None
