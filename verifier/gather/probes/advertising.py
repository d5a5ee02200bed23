"""Advertising data of Bluetooth Low Energy devices, as anybody may send it: pure functions of bytes.

Format: Bluetooth Core Specification, Vol 3, Part C, 11; types: Bluetooth SIG, Assigned Numbers, 2.3.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

SHORTENED_NAME, COMPLETE_NAME = 0x08, 0x09


@dataclass(frozen=True, slots=True)
class Structure:
    """One piece of advertising data."""

    kind: int
    data: bytes


def structures(data: bytes) -> Iterator[Structure]:
    """The pieces in turn: length (of type and data together), type, data.

    A length of zero ends them early (11: "the Host should ignore the rest"), one beyond the end too.
    """
    at = 0
    while at < len(data) and (length := data[at]) and at + 1 + length <= len(data):
        yield Structure(data[at + 1], data[at + 2 : at + 1 + length])
        at += 1 + length


def local_name(data: bytes) -> str:
    """The name that a device gives itself, the complete one before a shortened one; empty where it gives none."""
    found = {part.kind: part.data for part in structures(data) if part.kind in (SHORTENED_NAME, COMPLETE_NAME)}
    return (found.get(COMPLETE_NAME) or found.get(SHORTENED_NAME) or b"").decode("utf-8", "replace")
