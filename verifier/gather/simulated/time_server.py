"""The time server of the simulated bench: it knows the true time, and answers as RFC 5905 has it."""

from __future__ import annotations

from verifier.gather.probes.network_time import CLIENT, HEADER, SERVER_MODE, timestamp

STRATUM = 1
DISPERSION = 66
"""Of its own clock, in 1/65536 s: 1 ms (invented)."""
_PRECISION = -20
"""A power of two of a second, as it states it."""


def answered(datagram: bytes, received: float, sent: float) -> bytes | None:
    """Its reply to a client's packet, with the true times in s since 1970; None to anything else."""
    if len(datagram) < HEADER.size or datagram[0] & 0b111 != CLIENT & 0b111:
        return None
    *_, token = HEADER.unpack_from(datagram)
    first = (CLIENT & ~0b111) | SERVER_MODE
    came, goes = timestamp(received), timestamp(sent)
    return HEADER.pack(first, STRATUM, 0, _PRECISION, 0, DISPERSION, 0, came, token, came, goes)
