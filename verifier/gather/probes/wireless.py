"""What the probes of wireless links share: names of networks, levels, rates, and how a station is told."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from verifier.declare.levels import mean_level
from verifier.errors import Absent, NotPossible
from verifier.gather.probes.radio_rates import channel, highest_rate
from verifier.gather.radio import Radio, RadioInterface, RadioRate, RadioStation
from verifier.readings import Basis, Contribution, Reading, ReadingDeclaration
from verifier.services import Clocks

NL80211 = "nl80211"
NAME_OCTETS = 32
"""Longest name of a network (IEEE 802.11, 9.4.2.2)."""
LOWEST, HIGHEST = -127, 0
"""dBm that stand for a level received; drivers give others for "none"."""
SOURCES = (
    "Linux include/uapi/linux/nl80211.h (enum nl80211_sta_info, nl80211_rate_info)",
    "Linux net/wireless/util.c (channels and rates; IEEE 802.11, 17.3.8.3.2, 19.5, 21.5 and 27.5)",
)


def refuse_bad_reference(reference: str, access_point: str) -> None:
    if len(reference.encode("utf-8", "replace")) > NAME_OCTETS:
        raise ValueError(f"reference is the name of a network, at most {NAME_OCTETS} bytes of UTF-8")
    if access_point and not re.fullmatch(r"[0-9a-fA-F]{2}(:[0-9a-fA-F]{2}){5}", access_point):
        raise ValueError(f"access_point {access_point[:40]!r} is no hardware address, such as 02:00:5e:10:00:01")


def is_reference(network: bytes, address: str, reference: str, access_point: str) -> bool:
    """Whether an access point is the one that the settings name; any one is where they name none."""
    if reference and network != reference.encode("utf-8", "replace"):
        return False
    return not access_point or address == access_point.lower()


def network_text(network: bytes) -> str:
    r"""A network's name as a text: UTF-8 where it is, everything unseen as \xNN or \uNNNN, the backslash doubled.

    Different names give different texts.
    """
    return "".join(_seen(c) for c in network.decode("utf-8", "surrogateescape"))


def _seen(character: str) -> str:
    if "\udc80" <= character <= "\udcff":
        return f"\\x{ord(character) - 0xDC00:02x}"
    if character == "\\":
        return "\\\\"
    return character if character.isprintable() else character.encode("unicode_escape").decode("ascii")


def chosen(interfaces: Sequence[RadioInterface], wanted: str) -> RadioInterface:
    """The interface to be read. Absent where it is not there; NotPossible with a choice left open."""
    if wanted:
        for interface in interfaces:
            if interface.name == wanted:
                return interface
    elif len(usable := [i for i in interfaces if i.kind in ("station", "access point")] or list(interfaces)) == 1:
        return usable[0]
    names = ", ".join(i.name for i in interfaces[:10])
    if not interfaces:
        raise Absent("this host has no wireless interface")
    if wanted:
        raise Absent(f"there is no wireless interface {wanted}; there are {names}")
    raise NotPossible(f"this host has several wireless interfaces ({names}): name one in the settings")


async def one_interface(radio: Radio, wanted: str) -> RadioInterface:
    return chosen(await radio.interfaces(), wanted)


# ---- levels --------------------------------------------------------------------------------------

_STEP = Contribution.resolution(1.0, note="given in whole dB")


def level_reading(name: str, levels: Sequence[float], origin: str) -> Reading:
    """The level of the mean power of some samples. Their scatter is in its budget, what the place adds is not."""
    level, spread = _mean(levels)
    return Reading(name=name, value=level, unit="dBm", origin=origin, contributions=(*spread, _STEP))


def _mean(levels: Sequence[float]) -> tuple[float, tuple[Contribution, ...]]:
    if len(levels) == 1:
        return levels[0], ()
    level, u = mean_level(levels)
    note = f"mean power of {len(levels)} samples"
    return level, (Contribution(basis=Basis.REPEATS, u=u, dof=len(levels) - 1, note=note),)


def levels_of(values: Iterable[float | None]) -> list[float]:
    return [value for value in values if value is not None and LOWEST <= value < HIGHEST]


LEVELS = (
    ReadingDeclaration(
        name="level",
        kind="number",
        unit="dBm",
        what="Received level over all chains: that of the mean power of the samples.",
        optional=True,
    ),
    ReadingDeclaration(
        name="level_average", kind="number", unit="dBm", what="The driver's own running mean.", optional=True
    ),
    ReadingDeclaration(
        name="chains", kind="number", unit="1", what="Chains whose level the driver told.", optional=True
    ),
    ReadingDeclaration(
        name="chain_*",
        kind="number",
        unit="dBm",
        what="Received level of one chain, counted from 0 as the driver does: chain_0, chain_1, ...",
        optional=True,
    ),
    ReadingDeclaration(
        name="spread",
        kind="number",
        unit="dB",
        what="Strongest less weakest chain. An antenna that is off shows here first.",
        optional=True,
    ),
    ReadingDeclaration(
        name="weakest", kind="number", unit="dBm", what="Level of the weakest chain.", optional=True
    ),
)


def level_readings(samples: Sequence[RadioStation], origin: str) -> Iterator[Reading]:
    """Levels of one far end, overall and by chain, from samples one after another."""
    if levels := levels_of(s.level for s in samples):
        yield level_reading("level", levels, f"{origin}: NL80211_STA_INFO_SIGNAL")
    average = samples[-1].level_average
    if average is not None and LOWEST <= average < HIGHEST:
        at = f"{origin}: NL80211_STA_INFO_SIGNAL_AVG"
        yield Reading(name="level_average", value=average, unit="dBm", origin=at, contributions=(_STEP,))
    at = f"{origin}: NL80211_STA_INFO_CHAIN_SIGNAL"
    by_chain = {
        chain: found
        for chain in sorted({chain for s in samples for chain in s.chains})
        if (found := levels_of(s.chains.get(chain) for s in samples))
    }
    if not by_chain:
        return
    chains = {chain: level_reading(f"chain_{chain}", levels, at) for chain, levels in by_chain.items()}
    yield Reading(name="chains", value=len(chains), unit="1", origin=at, exact=True)
    yield from chains.values()
    yield from _spread(list(chains.values()), at)


def _spread(chains: Sequence[Reading], origin: str) -> Iterator[Reading]:
    ordered = sorted(chains, key=_value)
    weakest, strongest = ordered[0], ordered[-1]
    if len(chains) > 1:
        # Independent: each chain has a receiver of its own (JCGM 100, 5.1.2 eq. 10).
        budget = (*strongest.contributions, *weakest.contributions)
        difference = _value(strongest) - _value(weakest)
        yield Reading(name="spread", value=difference, unit="dB", origin=origin, contributions=budget)
    yield Reading(
        name="weakest", value=weakest.value, unit="dBm", origin=origin, contributions=weakest.contributions
    )


def _value(reading: Reading) -> float:
    return float(reading.value)


# ---- samples of a link ---------------------------------------------------------------------------


async def sampled(
    radio: Radio, clocks: Clocks, interface: str, first: RadioStation, times: int, interval: float
) -> list[RadioStation]:
    """`times` samples of one far end, `first` among them; fewer where it is gone, or another came in its place."""
    samples = [first]
    for _ in range(times - 1):
        await clocks.sleep(interval)
        again = [s for s in await radio.stations(interface) if s.address == first.address]
        if not again:
            break
        samples.append(again[0])
    return samples


SAMPLED = ReadingDeclaration(
    name="samples_taken", kind="number", unit="1", what="Samples that the levels come from.", optional=True
)


def link_readings(samples: Sequence[RadioStation], origin: str) -> Iterator[Reading]:
    """Levels, rates and counts of one far end."""
    yield Reading(name="samples_taken", value=len(samples), unit="1", origin=origin, exact=True)
    yield from level_readings(samples, origin)
    yield from rate_readings(samples[-1], origin)
    yield from count_readings(samples, origin)


# ---- rates and counts ----------------------------------------------------------------------------

_WAYS = (("sent", "NL80211_STA_INFO_TX_BITRATE"), ("received", "NL80211_STA_INFO_RX_BITRATE"))
RATES = tuple(
    ReadingDeclaration(name=f"{way}_{name}", kind=kind, unit=unit, what=what, optional=True)  # type: ignore[arg-type]
    for way, _ in _WAYS
    for name, kind, unit, what in (
        ("rate", "number", "Mbit/s", f"Rate of the last frame {way}, as the driver states it."),
        ("mode", "text", "", "How it was modulated: legacy, HT (Wi-Fi 4), VHT (5), HE (6) or EHT (7)."),
        ("mcs", "number", "1", "Its modulation and coding scheme."),
        ("streams", "number", "1", "Its spatial streams."),
        ("width", "number", "MHz", "Its width."),
        ("guard", "number", "us", "Its guard interval."),
        ("share", "number", "%", "Its rate, of the highest with that mode, width and number of streams."),
    )
)
COUNTS = (
    ReadingDeclaration(
        name="retries", kind="number", unit="1", what="Frames sent again while it was sampled.", optional=True
    ),
    ReadingDeclaration(
        name="failed", kind="number", unit="1", what="Frames given up while it was sampled.", optional=True
    ),
    ReadingDeclaration(
        name="connected_for", kind="number", unit="s", what="How long the link has stood.", optional=True
    ),
)


def rate_readings(station: RadioStation, origin: str) -> Iterator[Reading]:
    for (way, attribute), rate in zip(_WAYS, (station.sent, station.received), strict=True):
        if rate is not None:
            yield from _rate(way, rate, f"{origin}: {attribute}")


def _rate(way: str, rate: RadioRate, at: str) -> Iterator[Reading]:
    step = (Contribution.resolution(0.1, note="given in 0.1 Mbit/s"),)
    yield Reading(name=f"{way}_rate", value=rate.megabits, unit="Mbit/s", origin=at, contributions=step)
    yield Reading(name=f"{way}_mode", value=rate.mode, origin=at, exact=True)
    whole = (("mcs", rate.mcs, "1"), ("streams", rate.streams, "1"), ("width", rate.width, "MHz"))
    for name, value, unit in (*whole, ("guard", rate.guard, "us")):
        if value is not None:
            yield Reading(name=f"{way}_{name}", value=value, unit=unit, origin=at, exact=True)
    if rate.streams is not None and rate.width is not None:
        try:
            highest = highest_rate(rate.mode, rate.streams, rate.width)
        except ValueError:
            return  # a rate that is in no table of ours
        yield Reading(name=f"{way}_share", value=100 * rate.megabits / highest, unit="%", origin=at)


def count_readings(samples: Sequence[RadioStation], origin: str) -> Iterator[Reading]:
    first, last = samples[0], samples[-1]
    for name, before, after, attribute in (
        ("retries", first.retries, last.retries, "TX_RETRIES"),
        ("failed", first.failed, last.failed, "TX_FAILED"),
    ):
        # A count that went back is of another link; one sample has counted nothing.
        if len(samples) > 1 and before is not None and after is not None and after >= before:
            at = f"{origin}: NL80211_STA_INFO_{attribute}"
            yield Reading(name=name, value=after - before, unit="1", origin=at, exact=True)
    if last.connected is not None:
        at = f"{origin}: NL80211_STA_INFO_CONNECTED_TIME"
        yield Reading(
            name="connected_for",
            value=last.connected,
            unit="s",
            origin=at,
            contributions=(Contribution.resolution(1.0, note="given in whole seconds"),),
        )


PLACE = (
    ReadingDeclaration(
        name="frequency", kind="number", unit="MHz", what="Centre of its primary channel.", optional=True
    ),
    ReadingDeclaration(name="channel", kind="number", unit="1", what="Number of that channel.", optional=True),
)


def place_readings(megahertz: int | None, origin: str) -> Iterator[Reading]:
    """The channel. Not given where the frequency is no channel's."""
    if not megahertz:
        return
    yield Reading(name="frequency", value=megahertz, unit="MHz", origin=origin, exact=True)
    if (number := channel(megahertz)) is not None:
        yield Reading(name="channel", value=number, unit="1", origin=origin, exact=True)
