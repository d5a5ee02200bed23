"""What the bench computer sees of a unit from outside: its own interface, and who asks for an address."""

from __future__ import annotations

import ipaddress
import re
import socket
import struct
import time
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

from verifier.errors import NotPossible
from verifier.gather.peer.words import AddressRequest
from verifier.readings import Value

NET = Path("/sys/class/net")
COUNTERS = ("rx_packets", "tx_packets", "rx_errors", "tx_errors", "rx_crc_errors", "rx_dropped", "collisions")
MOST_REQUESTS = 1000
_ETH_P_ALL, _ETH_P_IP, _ETH_P_ARP = 0x0003, 0x0800, 0x0806
"""include/uapi/linux/if_ether.h."""
_ARP_REQUEST, _BOOTREQUEST = 1, 1
"""RFC 826; RFC 2131, figure 1."""


def interface_of(address: str) -> str:
    """The interface that has this address; NotPossible where none has."""
    wanted = ipaddress.ip_address(address.partition("%")[0])
    for name, found in _addresses():
        if found == wanted:
            return name
    raise NotPossible(f"no interface has the address {address}")


def _addresses() -> Iterator[tuple[str, ipaddress.IPv4Address | ipaddress.IPv6Address]]:
    import fcntl

    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as line:
        for _, name in socket.if_nameindex():
            with suppress(OSError):  # SIOCGIFADDR, netdevice(7)
                raw = fcntl.ioctl(line, 0x8915, struct.pack("256s", name.encode()[:15]))
                yield name, ipaddress.IPv4Address(raw[20:24])
    with suppress(OSError):
        for text in Path("/proc/net/if_inet6").read_text("ascii").splitlines():
            words = text.split()
            yield words[5], ipaddress.IPv6Address(bytes.fromhex(words[0]))


def look(interface: str) -> dict[str, Value]:
    """Link and counters (Linux Documentation/ABI/testing/sysfs-class-net, -statistics), as far as told."""
    at = NET / interface
    found: dict[str, Value] = {"interface": interface}
    if (carrier := _text(at / "carrier")) in ("0", "1"):
        found["carrier"] = carrier == "1"
    if (speed := _number(at / "speed")) is not None and 0 < speed < 2**32 - 1:
        found["speed"] = speed
    if (duplex := _text(at / "duplex")) in ("half", "full"):
        found["duplex"] = duplex
    for name in ("carrier_changes", *(f"statistics/{counter}" for counter in COUNTERS)):
        if (count := _number(at / name)) is not None and count >= 0:
            found[name.rpartition("/")[2]] = count
    return found


def _text(path: Path) -> str:
    try:
        return path.read_text("ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""  # EINVAL while an interface is switched off


def _number(path: Path) -> int | None:
    text = _text(path)
    return int(text) if re.fullmatch(r"-?\d{1,20}", text) else None


def requests(interface: str, seconds: float) -> list[AddressRequest]:
    """ARP and DHCP requests from others during that time.

    NotPossible without CAP_NET_RAW, and where so many come that the unit's may be among those not heard.
    """
    try:
        line = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(_ETH_P_ALL))
    except PermissionError:
        raise NotPossible("watching others' address requests needs CAP_NET_RAW at the far end") from None
    found: list[AddressRequest] = []
    until = time.monotonic() + seconds
    with closing(line):
        line.bind((interface, _ETH_P_ALL))
        while (left := until - time.monotonic()) > 0:
            line.settimeout(left)
            try:
                frame, sender = line.recvfrom(2048)
            except TimeoutError:
                break
            except OSError:  # the interface went down: it may come again
                time.sleep(min(0.1, left))
                continue
            if sender[2] != socket.PACKET_OUTGOING and (request := request_in(frame)):
                if len(found) == MOST_REQUESTS:
                    raise NotPossible(
                        f"more than {MOST_REQUESTS} address requests came: something floods the network"
                    )
                found.append(request)
    return found


def request_in(frame: bytes) -> AddressRequest | None:
    """The address request that an Ethernet frame holds; None where it holds none, or is damaged."""
    if len(frame) < 42:
        return None
    kind = int.from_bytes(frame[12:14], "big")
    hardware = frame[6:12].hex(":")
    if kind == _ETH_P_ARP:
        # RFC 826: hardware 1, protocol 0x0800, lengths 6 and 4, operation.
        wanted = struct.pack("!HHBBH", 1, _ETH_P_IP, 6, 4, _ARP_REQUEST)
        return AddressRequest(kind="arp", hardware=hardware) if frame[14:22] == wanted else None
    if kind != _ETH_P_IP or frame[14] >> 4 != 4 or frame[23] != 17:
        return None
    udp = 14 + (frame[14] & 0xF) * 4
    ports, operation = frame[udp : udp + 4], frame[udp + 8 : udp + 9]
    if ports == struct.pack("!HH", 68, 67) and operation == bytes([_BOOTREQUEST]):
        return AddressRequest(kind="dhcp", hardware=hardware)
    return None
