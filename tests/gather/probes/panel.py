"""A touch panel as the kernel reports it: events of protocol type B, and the tree behind it."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence

from verifier.services import InputEvent

ABS, SYN = 3, 0
SLOT, X, Y, TRACKING = 0x2F, 0x35, 0x36, 0x39


def axes_text(*bits: int) -> str:
    return f"{sum(1 << bit for bit in bits):x}"


TOUCH_TREE: dict[str, str | bytes] = {
    "sys/class/input/input5/name": "Marrowby touch panel",
    "sys/class/input/input5/id/bustype": "0018",
    "sys/class/input/input5/capabilities/key": "400 0 0 0 0 0",
    "sys/class/input/input5/capabilities/abs": axes_text(0, 1, SLOT, X, Y, TRACKING),
    "sys/class/input/input5/properties": "2",
    "sys/class/input/input5/event5/dev": "13:69",
    "proc/sys/kernel/arch": "aarch64",
}


def report(*changes: tuple[int, int], at: float = 0.0) -> list[InputEvent]:
    """One frame: changes of ABS codes, ended by SYN_REPORT."""
    events = [InputEvent(kind=ABS, code=code, value=value, at=at) for code, value in changes]
    return [*events, InputEvent(kind=SYN, code=0, value=0, at=at)]


def stroke(points: Sequence[tuple[int, int]], tracking: int = 1, slot: int = 0) -> list[InputEvent]:
    """A finger that goes down at the first point, over the others, and up. Unchanged values are left out."""
    events: list[InputEvent] = []
    before: tuple[int | None, int | None] = (None, None)
    for number, (x, y) in enumerate(points):
        changes = [(SLOT, slot), (TRACKING, tracking)] if number == 0 else []
        changes += [(X, x)] if x != before[0] else []
        changes += [(Y, y)] if y != before[1] else []
        before = (x, y)
        events += report(*changes)
    return [*events, *report((SLOT, slot), (TRACKING, -1))]


def wipe(
    width: int, height: int, columns: int, rows: int, skip: Iterable[tuple[int, int]] = ()
) -> list[InputEvent]:
    """Line by line through the middle of every cell, lifted over those in `skip`."""
    events: list[InputEvent] = []
    skipped, tracking = set(skip), 0
    for row in range(rows):
        points: list[tuple[int, int]] = []
        for column in range(columns):
            if (column, row) in skipped:
                if points:
                    tracking += 1
                    events += stroke(points, tracking)
                points = []
                continue
            points.append(((2 * column + 1) * width // (2 * columns), (2 * row + 1) * height // (2 * rows)))
        if points:
            tracking += 1
            events += stroke(points, tracking)
    return events


def as_bytes(events: Iterable[InputEvent], layout: str = "<qqHHi") -> bytes:
    return b"".join(struct.pack(layout, int(e.at), round(e.at % 1 * 1e6), e.kind, e.code, e.value) for e in events)
