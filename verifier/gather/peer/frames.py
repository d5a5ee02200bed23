"""Arithmetic of Ethernet frames: how many fit on a line, and what is left for payload."""

from __future__ import annotations

from verifier.errors import NotPossible

SIZES = (64, 128, 256, 512, 1024, 1280, 1518)
"""Frame sizes to test with, check sequence included (RFC 2544, 9.1)."""
FRAMING = 18
"""Octets of a frame around its payload: header 14, check sequence 4 (IEEE 802.3, clause 3)."""
BETWEEN = 20
"""Octets of line time between frames: preamble 8, gap 12 (RFC 5180, appendix A.1)."""
UDP = 8
IP = {4: 20, 6: 40}
TCP_TIMESTAMPS = 20 + 12
"""TCP header with the timestamp option, padded (RFC 9293, 3.1; RFC 7323, 3.2)."""


def frame_rate(line_rate: float, frame: int) -> float:
    """Most frames a second on a line of `line_rate` bit/s: line_rate / (8 × (X + 20)), RFC 5180, appendix A.1."""
    return line_rate / (8 * (frame + BETWEEN))


def udp_payload(frame: int, version: int) -> int:
    """Octets of UDP payload in an untagged frame of that size.

    Raises NotPossible where the headers alone are longer, as with 64-octet frames over IP version 6.
    """
    payload = frame - FRAMING - IP[version] - UDP
    if payload < LEAST_PAYLOAD:
        least = LEAST_PAYLOAD + FRAMING + IP[version] + UDP
        raise NotPossible(f"frames over IPv{version} have at least {least} octets here, not {frame}")
    return payload


LEAST_PAYLOAD = 18
"""Octets that number, time and token of a datagram need: exactly what a frame of 64 octets has room for."""


def goodput_ceiling(line_rate: float, *, mtu: int = 1500, version: int = 4) -> float:
    """Most TCP payload in bit/s with timestamps and full frames: (MTU − headers) / (MTU + 38) of the line rate.

    1448/1538 for MTU 1500 over IPv4: 941.48 Mbit/s on a line of 1000 Mbit/s.
    """
    return line_rate * (mtu - IP[version] - TCP_TIMESTAMPS) / (mtu + FRAMING + BETWEEN)
