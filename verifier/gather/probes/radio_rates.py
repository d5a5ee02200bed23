"""Arithmetic of wireless channels and rates: pure functions of plain numbers.

Sources: IEEE 802.11-2020, 19.5 (HT), 21.5 (VHT), 17.3.8.3.2 and Annex E (channels); IEEE 802.11ax-2021, 27.5 (HE),
27.3.23.2 (6 GHz); the same arithmetic in Linux net/wireless/util.c (ieee80211_channel_to_freq_khz,
cfg80211_calculate_bitrate). Section numbers of the standards are from secondary pages.
"""

from __future__ import annotations

from typing import Literal

Band = Literal["2.4", "5", "6"]
_CODED_BITS = (1 / 2, 1, 3 / 2, 2, 3, 4, 9 / 2, 5, 6, 20 / 3, 15 / 2, 25 / 3, 9, 10)
"""Data bits a symbol carries on each subcarrier: bits of the constellation times the code rate, by MCS: BPSK 1/2,
QPSK 1/2 and 3/4, 16-QAM 1/2 and 3/4, 64-QAM 2/3, 3/4 and 5/6, 256-, 1024- and 4096-QAM 3/4 and 5/6."""
_SUBCARRIERS: dict[str, dict[int, int]] = {
    "HT": {20: 52, 40: 108},
    "VHT": {20: 52, 40: 108, 80: 234, 160: 468},
    "HE": {20: 234, 40: 468, 80: 980, 160: 1960},
    "EHT": {20: 234, 40: 468, 80: 980, 160: 1960, 320: 3920},
}
"""Data subcarriers by width in MHz."""
_HIGHEST_MCS = {"HT": 7, "VHT": 9, "HE": 11, "EHT": 13}
"""Of one stream; HT counts on over the streams."""
_SYMBOL = {"HT": 3.2, "VHT": 3.2, "HE": 12.8, "EHT": 12.8}
"""µs without the guard interval."""


def frequency(channel: int, band: Band) -> int:
    """Centre of a channel of 20 MHz, in MHz. ValueError where the band has none of that number."""
    if band == "2.4" and 1 <= channel <= 14:
        return 2484 if channel == 14 else 2407 + 5 * channel
    if band == "5" and 182 <= channel <= 196:
        return 4000 + 5 * channel
    if band == "5" and 1 <= channel <= 181:
        return 5000 + 5 * channel
    if band == "6" and channel == 2:
        return 5935
    if band == "6" and 1 <= channel <= 233:
        return 5950 + 5 * channel
    raise ValueError(f"the band of {band} GHz has no channel {channel}")


def channel(megahertz: int) -> int | None:
    """Number of the channel with that centre; None where no channel has it."""
    if megahertz in (2484, 5935):
        return 14 if megahertz == 2484 else 2
    for lowest, highest, base in ((2412, 2472, 2407), (4910, 4980, 4000), (5005, 5920, 5000), (5955, 7115, 5950)):
        if lowest <= megahertz <= highest:
            number, rest = divmod(megahertz - base, 5)
            return None if rest else number
    return None


def rate(mode: str, mcs: int, streams: int, width: int, guard: float) -> float:
    """Mbit/s: Nsd · Nbpscs · R · Nss / (T + GI), `guard` in µs. ValueError where the mode has no such rate.

    MCS 9 at 20 MHz is in no standard of VHT and used by some drivers all the same.
    """
    within = mcs % 8 if mode == "HT" else mcs
    subcarriers = _SUBCARRIERS.get(mode, {}).get(width)
    known = subcarriers is not None and 0 <= within <= _HIGHEST_MCS[mode] and 1 <= streams <= 16 and guard > 0
    if not known or subcarriers is None or (mode == "HT" and (mcs > 31 or mcs // 8 + 1 != streams)):
        raise ValueError(f"{mode} has no rate with MCS {mcs}, {streams} streams, {width} MHz")
    return subcarriers * _CODED_BITS[within] * streams / (_SYMBOL[mode] + guard)


def highest_rate(mode: str, streams: int, width: int) -> float:
    """The most that mode, streams and width allow, with the shortest guard interval. ValueError as `rate`."""
    if mode not in _HIGHEST_MCS:
        raise ValueError(f"{mode} has no streams")
    mcs = 8 * streams - 1 if mode == "HT" else _HIGHEST_MCS[mode]
    if mode == "VHT" and width == 20:
        mcs = 8
    return rate(mode, mcs, streams, width, 0.4 if mode in ("HT", "VHT") else 0.8)
