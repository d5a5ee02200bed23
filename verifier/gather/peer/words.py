"""What may be asked of a far end, and what it answers: plain values, whoever measured them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from verifier.errors import NotPossible
from verifier.readings import Value
from verifier.services import Host, net_of

NETWORK = "network"
"""Held by each probe that loads, moves or watches the unit's network: two at once would measure each other."""
Way = Literal["up", "down"]
"""up: from the host that is tested to the far end; down: the other way round."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """One TCP transfer as its receiver saw it."""

    octets: int
    seconds: float
    """From the first octet that is counted to the last."""

    @property
    def rate(self) -> float:
        """Goodput in Mbit/s: octets of payload, without any header (RFC 2647, 3.7)."""
        return self.octets * 8 / self.seconds / 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Datagrams:
    """Numbered datagrams as their receiver saw them."""

    sent: int
    received: int
    """Different ones that came."""
    duplicates: int
    late: int
    """Came after one with a higher number."""
    overrun: int
    """Came over the link and found the receiver's own buffer full: no fault of the link."""
    seconds: float
    """From the first received to the last."""
    jitter: float
    """Interarrival jitter in seconds at the end (RFC 3550, 6.4.1)."""

    @property
    def lost(self) -> int:
        return max(0, self.sent - self.received - self.overrun)

    @property
    def rate(self) -> float:
        """Frames a second that arrived: the intervals between them over the time they took."""
        return (self.received + self.duplicates - 1) / self.seconds if self.seconds > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FourTimes:
    """One exchange of times, in seconds since 1970 by each side's own clock (RFC 5905, section 8)."""

    t1: float
    """The asking side sent."""
    t2: float
    """The far end received."""
    t3: float
    """The far end sent."""
    t4: float
    """The asking side received."""

    @property
    def offset(self) -> float:
        """How far the far end's clock is ahead: θ = ((T2 − T1) + (T3 − T4)) / 2 (RFC 5905, section 8)."""
        return ((self.t2 - self.t1) + (self.t3 - self.t4)) / 2

    @property
    def delay(self) -> float:
        """Round trip without the far end's own time: δ = (T4 − T1) − (T3 − T2) (RFC 5905, section 8)."""
        return (self.t4 - self.t1) - (self.t3 - self.t2)


@dataclass(frozen=True, slots=True, kw_only=True)
class AddressRequest:
    """Somebody on the far end's network who asked for an address, or whose address something is."""

    kind: Literal["arp", "dhcp"]
    hardware: str
    """Sender's hardware address, lower case with colons."""


class FarEnd(Protocol):
    """A far end that was reached and has proved who it is. NotPossible where it cannot do what is asked;
    BenchFault where it breaks off."""

    @property
    def where(self) -> str:
        """Its address, as the origin of readings."""
        ...

    @property
    def ip_version(self) -> int:
        """4 or 6: how long its headers are."""
        ...

    async def stream(self, way: Way, seconds: float) -> Flow:
        """Send as fast as TCP allows for some seconds, one way."""
        ...

    async def datagrams(self, way: Way, *, payload: int, count: int, rate: float) -> Datagrams:
        """Send `count` datagrams of `payload` octets at `rate` a second (0: as fast as it goes), one way."""
        ...

    async def echoes(self, *, payload: int, count: int, interval: float, wait: float) -> list[float | None]:
        """Round-trip time of each of `count` datagrams in seconds; None for one that did not come back."""
        ...

    async def time(self) -> FourTimes: ...

    async def look(self) -> Mapping[str, Value]:
        """Link and counters of its own interface on this network."""
        ...

    async def address_requests(self, seconds: float) -> list[AddressRequest]:
        """Who asks for an address there during some seconds; needs privileges at the far end."""
        ...

    async def aclose(self) -> None: ...


@runtime_checkable
class ReachesFarEnds(Protocol):
    """A network from which far ends can be asked."""

    async def far_end(self, name: str, interface: str = "") -> FarEnd:
        """The far end paired under that name; NotPossible where none is, or it does not answer or know us.

        With an `interface`, all goes over that one and no other, there and back; Absent where it is not there.
        """
        ...


async def far_end_of(host: Host, name: str, interface: str = "") -> FarEnd:
    """The far end that a host reaches over its own network; NotPossible where it cannot reach any."""
    net = net_of(host)
    if not isinstance(net, ReachesFarEnds):
        raise NotPossible(f"{host.address} cannot send load to a far end")
    return await net.far_end(name, interface)
