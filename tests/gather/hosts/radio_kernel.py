"""A kernel's side of generic netlink, with COMPOSED messages: no radio was near any test machine.

Laid out by hand after include/uapi/linux/{netlink,genetlink,nl80211}.h, not by the classes under test. It answers
what a cfg80211 with one radio answers, on a socket that looks like netlink's.
"""

from __future__ import annotations

import errno
import socket
import struct
from dataclasses import dataclass, field
from typing import Any

FAMILY, MLME, SCAN = 0x1C, 7, 5
GET_WIPHY, NEW_WIPHY, GET_INTERFACE, NEW_INTERFACE, GET_STATION, NEW_STATION = 1, 3, 5, 7, 17, 19
GET_SCAN, TRIGGER_SCAN, NEW_SCAN_RESULTS, CONNECT, ROAM, DISCONNECT = 32, 33, 34, 46, 47, 48
AP = "02:00:5e:10:00:01"


def tlv(kind: int, payload: bytes = b"") -> bytes:
    return struct.pack("=HH", 4 + len(payload), kind) + payload + bytes(-len(payload) % 4)


def u8(kind: int, value: int) -> bytes:
    return tlv(kind, struct.pack("=B", value))


def s8(kind: int, value: int) -> bytes:
    return tlv(kind, struct.pack("=b", value))


def u16(kind: int, value: int) -> bytes:
    return tlv(kind, struct.pack("=H", value))


def u32(kind: int, value: int) -> bytes:
    return tlv(kind, struct.pack("=I", value))


def nest(kind: int, *parts: bytes) -> bytes:
    return tlv(kind | 0x8000, b"".join(parts))


def mac(text: str) -> bytes:
    return bytes.fromhex(text.replace(":", ""))


def message(command: int, *parts: bytes, sequence: int = 0, kind: int = FAMILY, flags: int = 0) -> bytes:
    body = struct.pack("=BBH", command, 1, 0) + b"".join(parts)
    return struct.pack("=IHHII", 16 + len(body), kind, flags, sequence, 0) + body


def ended(sequence: int, number: int = 0, *, dump: bool = False) -> bytes:
    """NLMSG_DONE after a list, NLMSG_ERROR (which is also the acknowledgement) after all else."""
    return struct.pack("=IHHIIi", 20, 3 if dump else 2, 0, sequence, 0, -number)


def rate(*, tenths: int, long_form: int | None = None, **told: int) -> bytes:
    """NL80211_RATE_INFO_*; a keyword with 1 or more is a number, flags are 0."""
    numbers = {"mcs": 2, "vht_mcs": 6, "vht_nss": 7, "he_mcs": 13, "he_nss": 14, "he_gi": 15, "he_ru": 17}
    flags = {"w40": 3, "short": 4, "w80": 8, "w160": 10}
    parts = [u16(1, tenths)] if tenths < 65_536 else []
    parts += [u32(5, long_form or tenths)]
    parts += [u8(numbers[n], v) if n in numbers else tlv(flags[n]) for n, v in told.items()]
    return b"".join(parts)


def station(address: str = AP, *, level: int = -45, chains: dict[int, int] | None = None, **told: Any) -> bytes:
    """The attributes of one NEW_STATION after its interface."""
    usual = {"average": -46, "retries": 10, "failed": 1, "connected": 60, "silent": 20, "losses": 0}
    told = usual | told
    parts = [
        u32(1, told["silent"]),
        s8(7, level),
        u32(11, told["retries"]),
        u32(12, told["failed"]),
        s8(13, told["average"]),
        u32(16, told["connected"]),
        tlv(17, struct.pack("=II", 0xFE, 0xA2)),
        u32(18, told["losses"]),
        u16(4, 99),  # LLID: an attribute that is not read
    ]
    if "sent" in told:
        parts.append(nest(8, told["sent"]))
    if "received" in told:
        parts.append(nest(14, told["received"]))
    if chains is not None:
        parts.append(nest(25, *(s8(chain, value) for chain, value in chains.items())))
    return tlv(6, mac(address)) + nest(21, *parts)


def heard(
    address: str, name: bytes, *, level: int = -5012, frequency: int = 5180, age: int = 40, rest: bytes = b""
) -> bytes:
    """The BSS of one NEW_SCAN_RESULTS: information elements as they were in the air."""
    elements = bytes([0, len(name)]) + name + bytes([1, 2, 0x82, 0x84]) + rest
    return nest(
        47,
        tlv(1, mac(address)),
        u32(2, frequency),
        tlv(6, elements),
        tlv(7, struct.pack("=i", level)),
        u32(10, age),
    )


@dataclass
class Interface:
    index: int = 3
    name: str = "wlan0"
    kind: int = 2
    network: bytes = b"bench-reference"
    frequency: int = 5180
    antennas: int = 0b11

    def told(self) -> bytes:
        name = tlv(4, self.name.encode() + b"\0")
        return (
            u32(3, self.index)
            + name
            + u32(1, 0)
            + u32(5, self.kind)
            + tlv(52, self.network)
            + u32(38, self.frequency)
        )


@dataclass
class RadioKernel:
    """One machine's radio. `stations` is asked anew for each question: a list for each, the last one for ever."""

    interfaces: list[Interface] = field(default_factory=lambda: [Interface()])
    stations: list[list[bytes]] = field(default_factory=list)
    networks: list[bytes] = field(default_factory=list)
    refuses: dict[int, int] = field(default_factory=dict)
    """Command to the error number that answers it."""
    has_family: bool = True
    silent: bool = False
    asked: list[int] = field(default_factory=list)
    requests: dict[int, bytes] = field(default_factory=dict)
    """The attributes that came with each command, as bytes."""
    lines: list[Line] = field(default_factory=list)

    def line(self) -> Line:
        self.lines.append(Line(self))
        return self.lines[-1]

    def event(self, command: int, *parts: bytes, index: int = 3) -> None:
        self.lines[-1].deliver(message(command, u32(3, index), *parts))

    def answers(self, data: bytes) -> list[bytes]:
        length, kind, flags, sequence, _ = struct.unpack_from("=IHHII", data)
        assert length == len(data) and flags & 1
        command = data[16]
        if self.silent:
            return []
        if kind == 0x10:
            return self._family(sequence)
        assert kind == FAMILY
        self.asked.append(command)
        self.requests[command] = data[20:]
        if command in self.refuses:
            return [ended(sequence, self.refuses[command], dump=bool(flags & 0x300))]
        told = [message(*one, sequence=sequence, flags=2) for one in self._told(command)]  # type: ignore[misc]
        return [*told, ended(sequence, dump=bool(flags & 0x300)), *self._after(command)]

    def _family(self, sequence: int) -> list[bytes]:
        if not self.has_family:
            return [ended(sequence, errno.ENOENT)]
        groups = (
            nest(n, tlv(1, name + b"\0"), u32(2, number))
            for n, (name, number) in enumerate(((b"scan", SCAN), (b"mlme", MLME)), 1)
        )
        parts = (tlv(2, b"nl80211\0"), u16(1, FAMILY), nest(7, *groups))
        return [message(1, *parts, sequence=sequence, kind=0x10), ended(sequence)]

    def _told(self, command: int) -> list[tuple[Any, ...]]:
        if command == GET_WIPHY:
            mask = self.interfaces[0].antennas if self.interfaces else 0
            # A split dump: several messages of one radio, most without what is looked for.
            return [(NEW_WIPHY, u32(1, 0), tlv(2, b"phy0\0")), (NEW_WIPHY, u32(1, 0), u32(114, mask))]
        if command == GET_INTERFACE:
            return [(NEW_INTERFACE, one.told()) for one in self.interfaces]
        if command == GET_STATION:
            now = self.stations[0] if self.stations else []
            if len(self.stations) > 1:
                self.stations.pop(0)
            return [(NEW_STATION, u32(3, 3), one) for one in now]
        if command == GET_SCAN:
            return [(NEW_SCAN_RESULTS, u32(3, 3), one) for one in self.networks]
        return []

    def _after(self, command: int) -> list[bytes]:
        return [message(NEW_SCAN_RESULTS, u32(3, 3))] if command == TRIGGER_SCAN else []


class Line:
    """Looks like a netlink socket."""

    def __init__(self, kernel: RadioKernel) -> None:
        self._kernel = kernel
        self._ours, self._theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._ours.setblocking(False)
        self._theirs.setblocking(False)
        self.joined: list[int] = []
        self.sender: tuple[int, int] = (0, 0)
        self.closed = False

    def fileno(self) -> int:
        return self._ours.fileno()

    def send(self, data: bytes, /) -> int:
        for answer in self._kernel.answers(data):
            self.deliver(answer)
        return len(data)

    def deliver(self, data: bytes) -> None:
        self._theirs.send(data)

    def recvmsg(self, octets: int, /) -> tuple[bytes, list[Any], int, Any]:
        return self._ours.recv(octets), [], 0, self.sender

    def setsockopt(self, level: int, option: int, value: int, /) -> None:
        assert (level, option) == (270, 1)
        self.joined.append(value)

    def close(self) -> None:
        self.closed = True
        self._ours.close()
        self._theirs.close()
