"""The radios of a host (service `radio`): what its Wi-Fi and Bluetooth adapters say, of themselves and others."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from typing import Literal, Protocol, runtime_checkable

from verifier.errors import NotPossible
from verifier.services import Host


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioInterface:
    """One wireless interface, as its driver reports it (include/uapi/linux/nl80211.h)."""

    name: str
    kind: str
    """What it is used as: station, access point, monitor, ..."""
    network: bytes = b""
    """Name of the network (SSID) it belongs to: up to 32 bytes of any kind; empty where it belongs to none."""
    frequency: int | None = None
    """Centre of its primary channel in MHz."""
    antennas: int | None = None
    """Receive antennas that the radio has, connected or not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioRate:
    """The rate of the last frame one way, and how it was modulated."""

    megabits: float
    """Mbit/s as the driver states it."""
    mode: str = "legacy"
    """legacy, HT (Wi-Fi 4), VHT (5), HE (6) or EHT (7)."""
    mcs: int | None = None
    streams: int | None = None
    width: int | None = None
    """MHz; None where only part of a channel was used."""
    guard: float | None = None
    """Guard interval in µs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioStation:
    """The far end of a wireless link as this radio hears it: the access point, or on one, a unit."""

    address: str
    """Hardware address, lower case with colons."""
    level: int | None = None
    """Level of the last frame in dBm, over all chains."""
    level_average: int | None = None
    """The driver's own running mean, in dBm."""
    chains: Mapping[int, int] = field(default_factory=dict)
    """Level of the last frame on each chain in dBm, by the chain's number from 0."""
    sent: RadioRate | None = None
    received: RadioRate | None = None
    retries: int | None = None
    """Frames sent again, since the link began."""
    failed: int | None = None
    """Frames given up, since the link began."""
    beacons_lost: int | None = None
    connected: int | None = None
    """Whole seconds since the link began."""
    silent: int | None = None
    """Milliseconds since it was heard last."""
    authorised: bool | None = None
    """Whether it may send data; None where the driver does not say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioNetwork:
    """One access point that a scan heard."""

    address: str
    """Its BSSID, lower case with colons."""
    network: bytes
    """Its network's name (SSID), bytes of any kind; empty where it hides it."""
    frequency: int | None
    """MHz."""
    level: float | None
    """dBm; None where the driver gives levels on a scale of its own."""
    age: int | None = None
    """Milliseconds since it was heard."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioEvent:
    """The link of an interface came up, went down, or moved to another access point."""

    kind: Literal["connected", "lost", "moved"]
    at: float
    """Seconds of the host's loop clock when it was read."""
    by_far_end: bool = False
    """True where the access point ended the link."""


class RadioWatch(Protocol):
    """Events of one interface as they come."""

    async def next(self, timeout: float) -> RadioEvent | None:
        """The next event; None when there is none within `timeout` seconds. BenchFault when some were lost."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Advertisement:
    """One advertisement of a Bluetooth Low Energy device."""

    address: str
    """Of the sender, lower case with colons; may be a random one."""
    level: int | None
    """dBm; None where the adapter gives none."""
    data: bytes
    """Advertising data as it came (Bluetooth Core Specification, Vol 3, Part C, 11)."""


class Radio(Protocol):
    """The host's radios (service `radio`): what their drivers report, and nothing set.

    Absent when an interface or adapter is not there (any more), NotPossible where this is not allowed.
    """

    async def interfaces(self) -> list[RadioInterface]: ...

    async def stations(self, interface: str) -> list[RadioStation]:
        """Far ends of an interface's links: one access point, or all that are associated with this one."""
        ...

    async def scan(self, interface: str) -> list[RadioNetwork]:
        """Listen anew for access points on all channels; takes some seconds, and needs CAP_NET_ADMIN."""
        ...

    def watch(self, interface: str) -> AbstractAsyncContextManager[RadioWatch]: ...

    async def advertisements(self, adapter: str, seconds: float) -> list[Advertisement]:
        """Listen for Bluetooth Low Energy devices with an adapter such as hci0; needs CAP_NET_ADMIN."""
        ...


@runtime_checkable
class OffersRadio(Protocol):
    """A host with the service `radio`."""

    @property
    def radio(self) -> Radio: ...


def radio_of(host: Host) -> Radio:
    """The radios of a host; NotPossible where it does not offer any."""
    if "radio" in host.services and isinstance(host, OffersRadio):
        return host.radio
    raise NotPossible(f"{host.address} offers no radio to ask")
