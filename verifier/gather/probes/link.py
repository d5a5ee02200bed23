"""What is told of a network port's link, at the unit and at the far end: the words, and the kernel's files."""

from __future__ import annotations

from verifier.gather.probes.attributes import number_of
from verifier.readings import ReadingDeclaration
from verifier.services import Files

NET = "/sys/class/net"
SPEED_UNKNOWN = 2**32 - 1
"""SPEED_UNKNOWN in include/uapi/linux/ethtool.h, as some drivers print it; others print -1."""
CHANGES = "carrier_changes"
COUNTERS = {
    CHANGES: "How often the link came or went since the driver was loaded.",
    "rx_packets": "Frames received.",
    "tx_packets": "Frames sent.",
    "rx_errors": "Frames received with an error, since the interface came up.",
    "tx_errors": "Frames that could not be sent.",
    "rx_crc_errors": "Frames received with a wrong check sequence.",
    "rx_frame_errors": "Frames received with a wrong alignment.",
    "rx_dropped": "Frames received and thrown away.",
    "collisions": "Collisions: on a full-duplex link there are none.",
}
"""Linux Documentation/ABI/testing/sysfs-class-net-statistics, and net/core/net-sysfs.c for the first."""
LINK = (
    ReadingDeclaration(
        name="carrier",
        kind="yes-no",
        what="Whether there is a link; missing while the interface is switched off.",
        optional=True,
    ),
    ReadingDeclaration(
        name="speed",
        kind="number",
        unit="Mbit/s",
        what="Negotiated speed; missing while there is no link, or where it is not told.",
        optional=True,
    ),
    ReadingDeclaration(name="duplex", kind="text", what="half or full, where told.", optional=True),
)


def counter(name: str, what: str = "") -> ReadingDeclaration:
    """A counter that is there where the driver counts; one of COUNTERS needs no further words."""
    return ReadingDeclaration(name=name, kind="number", unit="1", what=what or COUNTERS[name], optional=True)


CHANGES_SEEN = counter("carrier_changes_seen", "How often the link came or went while it was watched.")
ERRORS_SEEN = counter("errors_seen", "Frames received or sent with an error while it was watched.")


async def speed_of(files: Files, at: str) -> int | None:
    """Negotiated speed in Mbit/s; None while it is not told."""
    speed = await number_of(files, f"{at}/speed")
    return speed if speed is not None and 0 < speed < SPEED_UNKNOWN else None


async def errors_of(files: Files, at: str) -> int | None:
    """Frames received or sent with an error so far; None where the driver does not count.

    These are totals: wrong check sequences are in them (Documentation/ABI/testing/sysfs-class-net-statistics).
    """
    counts = [await number_of(files, f"{at}/statistics/{name}") for name in ("rx_errors", "tx_errors")]
    known = [count for count in counts if count is not None]
    return sum(known) if known else None
