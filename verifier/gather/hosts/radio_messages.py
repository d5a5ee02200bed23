"""What the kernel's wireless drivers say, from netlink messages to plain values (include/uapi/linux/nl80211.h).

The messages are built on pyroute2's own classes, with a table of just the attributes that are read. Its ready-made
one is not used: it gives the levels of chains without saying which chain each is of, takes network names for text,
and takes apart what strangers send over the air (information elements), which here stays bytes until `network_of`
looks at the one element it needs. Importing pyroute2 takes a sixth of a second: only what asks a radio does it.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Mapping
from typing import Any

from pyroute2.netlink import genlmsg, nla

from verifier.gather.radio import RadioInterface, RadioNetwork, RadioRate, RadioStation

logging.getLogger("pyroute2").setLevel(logging.CRITICAL)
"""Of an attribute that it cannot decode it logs a traceback and gives the bytes, which are refused here."""

GET_WIPHY, GET_INTERFACE, GET_STATION, GET_SCAN = 1, 5, 17, 32
TRIGGER_SCAN, NEW_SCAN_RESULTS, SCAN_ABORTED = 33, 34, 35
CONNECT, ROAM, DISCONNECT = 46, 47, 48
MOST_CHAINS = 8
"""Room for chains; the kernel gives at most 4 (IEEE80211_MAX_CHAINS in include/net/cfg80211.h)."""
MOST_ATTRIBUTES = 512
NAME_OCTETS = 32
"""Longest name of a network (IEEE 802.11, 9.4.2.2)."""
_KINDS = {
    1: "ad hoc", 2: "station", 3: "access point", 4: "access point VLAN", 5: "WDS", 6: "monitor", 7: "mesh point",
    8: "P2P client", 9: "P2P group owner", 10: "P2P device", 11: "OCB", 12: "NAN",
}  # fmt: skip
"""enum nl80211_iftype."""
_AUTHORISED = 1 << 1
"""NL80211_STA_FLAG_AUTHORIZED."""


class _ChainLevels(nla):  # type: ignore[misc]  # pyroute2 has no annotations
    nla_map = tuple((chain, str(chain), "int8") for chain in range(MOST_CHAINS))


class _Rate(nla):  # type: ignore[misc]
    nla_map = (
        (1, "BITRATE", "uint16"),
        (2, "MCS", "uint8"),
        (3, "40_MHZ_WIDTH", "flag"),
        (4, "SHORT_GI", "flag"),
        (5, "BITRATE32", "uint32"),
        (6, "VHT_MCS", "uint8"),
        (7, "VHT_NSS", "uint8"),
        (8, "80_MHZ_WIDTH", "flag"),
        (9, "80P80_MHZ_WIDTH", "flag"),
        (10, "160_MHZ_WIDTH", "flag"),
        (11, "10_MHZ_WIDTH", "flag"),
        (12, "5_MHZ_WIDTH", "flag"),
        (13, "HE_MCS", "uint8"),
        (14, "HE_NSS", "uint8"),
        (15, "HE_GI", "uint8"),
        (17, "HE_RU_ALLOC", "uint8"),
        (18, "320_MHZ_WIDTH", "flag"),
        (19, "EHT_MCS", "uint8"),
        (20, "EHT_NSS", "uint8"),
        (21, "EHT_GI", "uint8"),
        (22, "EHT_RU_ALLOC", "uint8"),
    )


class _Station(nla):  # type: ignore[misc]
    nla_map = (
        (1, "INACTIVE_TIME", "uint32"),
        (7, "SIGNAL", "int8"),
        (8, "TX_BITRATE", "rate"),
        (11, "TX_RETRIES", "uint32"),
        (12, "TX_FAILED", "uint32"),
        (13, "SIGNAL_AVG", "int8"),
        (14, "RX_BITRATE", "rate"),
        (16, "CONNECTED_TIME", "uint32"),
        (17, "STA_FLAGS", "cdata"),
        (18, "BEACON_LOSS", "uint32"),
        (25, "CHAIN_SIGNAL", "chain_levels"),
    )
    rate, chain_levels = _Rate, _ChainLevels


class _Bss(nla):  # type: ignore[misc]
    nla_map = (
        (1, "BSSID", "l2addr"),
        (2, "FREQUENCY", "uint32"),
        (6, "INFORMATION_ELEMENTS", "cdata"),
        (7, "SIGNAL_MBM", "int32"),
        (10, "SEEN_MS_AGO", "uint32"),
        (11, "BEACON_IES", "cdata"),
    )


class Nl80211Message(genlmsg):  # type: ignore[misc]
    """One message of the family nl80211."""

    nla_map = (
        (1, "WIPHY", "uint32"),
        (3, "IFINDEX", "uint32"),
        (4, "IFNAME", "cdata"),
        (5, "IFTYPE", "uint32"),
        (6, "MAC", "l2addr"),
        (21, "STA_INFO", "station"),
        (38, "WIPHY_FREQ", "uint32"),
        (45, "SCAN_SSIDS", "*cdata"),
        (47, "BSS", "bss"),
        (52, "SSID", "cdata"),
        (71, "DISCONNECTED_BY_AP", "flag"),
        (72, "STATUS_CODE", "uint16"),
        (114, "WIPHY_ANTENNA_AVAIL_RX", "uint32"),
        (174, "SPLIT_WIPHY_DUMP", "flag"),
    )
    station, bss = _Station, _Bss


Attributes = Mapping[str, Any]


def attributes(message: Any) -> Attributes:
    """The attributes of a message or of a nested one, by name: the first of each.

    What cannot be decoded stands there as the bytes that came; so every value is looked at before it is used.
    """
    found: dict[str, Any] = {}
    for slot in message["attrs"][:MOST_ATTRIBUTES]:
        if slot.name != "UNKNOWN" and slot.name not in found:
            found[slot.name] = slot.value
    return found


def _nested(found: Attributes, name: str) -> Attributes | None:
    value = found.get(name)
    return attributes(value) if isinstance(value, nla) else None


def whole(found: Attributes, name: str) -> int | None:
    value = found.get(name)
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _octets(found: Attributes, name: str) -> bytes:
    value = found.get(name)
    return bytes(value) if isinstance(value, bytes | bytearray) else b""


def _address(found: Attributes, name: str) -> str | None:
    value = found.get(name)
    return value.lower() if isinstance(value, str) and len(value) == 17 else None


def interface_name(found: Attributes) -> str:
    return _octets(found, "IFNAME").split(b"\0")[0].decode("utf-8", "replace")[:15]


def interface_of(found: Attributes, antennas: int | None) -> RadioInterface | None:
    """From a message of GET_INTERFACE; None where it is of no interface with a name."""
    if not (name := interface_name(found)):
        return None
    return RadioInterface(
        name=name,
        kind=_KINDS.get(whole(found, "IFTYPE") or 0, "of an unknown kind"),
        network=_octets(found, "SSID")[:NAME_OCTETS],
        frequency=whole(found, "WIPHY_FREQ"),
        antennas=antennas,
    )


def station_of(found: Attributes) -> RadioStation | None:
    """From a message of GET_STATION; None where it names no station."""
    address, told = _address(found, "MAC"), _nested(found, "STA_INFO")
    if address is None or told is None:
        return None
    chains = _nested(told, "CHAIN_SIGNAL") or {}
    flags = _octets(told, "STA_FLAGS")
    mask, state = (int.from_bytes(flags[n : n + 4], sys.byteorder) for n in (0, 4))
    return RadioStation(
        address=address,
        level=whole(told, "SIGNAL"),
        level_average=whole(told, "SIGNAL_AVG"),
        chains={n: level for n in range(MOST_CHAINS) if (level := whole(chains, str(n))) is not None},
        sent=_rate_of(_nested(told, "TX_BITRATE")),
        received=_rate_of(_nested(told, "RX_BITRATE")),
        retries=whole(told, "TX_RETRIES"),
        failed=whole(told, "TX_FAILED"),
        beacons_lost=whole(told, "BEACON_LOSS"),
        connected=whole(told, "CONNECTED_TIME"),
        silent=whole(told, "INACTIVE_TIME"),
        authorised=bool(state & _AUTHORISED) if mask & _AUTHORISED else None,
    )


def _rate_of(told: Attributes | None) -> RadioRate | None:
    """From one nested rate; None where it states no rate at all. BITRATE is cut off at 6553.5 Mbit/s."""
    if told is None:
        return None
    tenths = whole(told, "BITRATE32") or whole(told, "BITRATE")
    if not tenths:
        return None
    mode, mcs, streams, guard = "legacy", None, None, None
    for name in ("EHT", "HE"):
        if (mcs := whole(told, f"{name}_MCS")) is not None:
            mode, streams = name, whole(told, f"{name}_NSS")
            guard = _LONG_GUARDS.get(whole(told, f"{name}_GI") or 0)
            break
    else:
        if (mcs := whole(told, "VHT_MCS")) is not None:
            mode, streams = "VHT", whole(told, "VHT_NSS")
        elif (mcs := whole(told, "MCS")) is not None:
            mode, streams = "HT", mcs // 8 + 1  # IEEE 802.11, 19.5: MCS 0 to 7 one stream, 8 to 15 two, ...
        if mode != "legacy":
            guard = 0.4 if "SHORT_GI" in told else 0.8
    return RadioRate(megabits=tenths / 10, mode=mode, mcs=mcs, streams=streams, width=_width(told), guard=guard)


def _width(told: Attributes) -> int | None:
    if "HE_RU_ALLOC" in told or "EHT_RU_ALLOC" in told:
        return None
    return next((width for name, width in _WIDTHS.items() if name in told), 20)


_LONG_GUARDS = {0: 0.8, 1: 1.6, 2: 3.2}
"""enum nl80211_he_gi and nl80211_eht_gi, in µs."""
_WIDTHS = {
    "320_MHZ_WIDTH": 320, "160_MHZ_WIDTH": 160, "80P80_MHZ_WIDTH": 160, "80_MHZ_WIDTH": 80, "40_MHZ_WIDTH": 40,
    "10_MHZ_WIDTH": 10, "5_MHZ_WIDTH": 5,
}  # fmt: skip


def network_of(found: Attributes) -> RadioNetwork | None:
    """From a message of GET_SCAN; None where it names no access point."""
    told = _nested(found, "BSS")
    if told is None or (address := _address(told, "BSSID")) is None:
        return None
    level = whole(told, "SIGNAL_MBM")
    elements = _octets(told, "INFORMATION_ELEMENTS") or _octets(told, "BEACON_IES")
    return RadioNetwork(
        address=address,
        network=network_name(elements),
        frequency=whole(told, "FREQUENCY"),
        level=None if level is None else level / 100,
        age=whole(told, "SEEN_MS_AGO"),
    )


def network_name(elements: bytes) -> bytes:
    """The name in information elements, as they came over the air (IEEE 802.11, 9.4.2.1 and 9.4.2.2); empty
    where there is none, where it is hidden (empty or zeros), and where the elements are cut short before it."""
    at = 0
    while at + 2 <= len(elements):
        identifier, length = elements[at], elements[at + 1]
        if at + 2 + length > len(elements):
            return b""
        if identifier == 0:
            name = elements[at + 2 : at + 2 + min(length, NAME_OCTETS)]
            return name if any(name) else b""
        at += 2 + length
    return b""
