"""From the events of a touch panel to contacts, and from contacts to cells: pure functions.

Source: Linux Documentation/input/multi-touch-protocol.rst, protocol type B. Each slot holds one contact from the
moment it gets a tracking id until that becomes -1. The kernel leaves out values that did not change, those of an
earlier contact in the slot included, so that a slot keeps its place from one contact to the next.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

from verifier.services import InputEvent

EV_SYN, EV_ABS = 0, 3
SYN_REPORT = 0
SLOT, POSITION_X, POSITION_Y, TRACKING_ID = 0x2F, 0x35, 0x36, 0x39
"""ABS_MT_... of include/uapi/linux/input-event-codes.h."""
_MOST_SLOTS = 64

Point = tuple[int, int]
Range = tuple[int, int]


@dataclass(slots=True)
class _Slot:
    x: int | None = None
    y: int | None = None
    points: list[Point] | None = None
    """Of the contact that it holds now; None where it holds none."""
    moved: bool = False


@dataclass(slots=True)
class _Panel:
    slots: dict[int, _Slot] = field(default_factory=dict)
    current: int = 0
    found: list[list[Point]] = field(default_factory=list)

    def begin(self, slot: _Slot) -> None:
        slot.points, slot.moved = [], True
        self.found.append(slot.points)


def contacts_of(events: Iterable[InputEvent]) -> list[list[Point]]:
    """The places of each contact, in the panel's own units, one list a contact.

    A finger that lay on the panel before the recording began has no tracking id in it: its places tell that it is
    there. What came after the last SYN_REPORT was not complete and does not count.
    """
    panel = _Panel()
    for event in events:
        if event.kind == EV_ABS:
            _take(panel, event)
        elif event.kind == EV_SYN and event.code == SYN_REPORT:
            for slot in panel.slots.values():
                if slot.moved and slot.points is not None and slot.x is not None and slot.y is not None:
                    slot.points.append((slot.x, slot.y))
                slot.moved = False
    return panel.found


def _take(panel: _Panel, event: InputEvent) -> None:
    if event.code == SLOT:
        panel.current = event.value
    if event.code not in (POSITION_X, POSITION_Y, TRACKING_ID) or not 0 <= panel.current < _MOST_SLOTS:
        return
    known = panel.current in panel.slots
    slot = panel.slots.setdefault(panel.current, _Slot())
    if event.code == TRACKING_ID:
        if event.value < 0:
            slot.points = None
        else:
            panel.begin(slot)
        return
    if not known:
        panel.begin(slot)
    if event.code == POSITION_X:
        slot.x = event.value
    else:
        slot.y = event.value
    slot.moved = True


def cell_of(point: Point, x: Range, y: Range, columns: int, rows: int) -> tuple[int, int]:
    """Column and row, from 0, of the cell that a place lies in; places beyond the range count to the edge."""

    def part(value: int, span: Range, parts: int) -> int:
        return min(parts - 1, max(0, (value - span[0]) * parts // (span[1] - span[0] + 1)))

    return part(point[0], x, columns), part(point[1], y, rows)


def cells_in_words(cells: Collection[tuple[int, int]], most: int = 8) -> str:
    """Where cells are, counted from 1 at the top left: blocks of them, the first few, and how many cells more.

    An open line of a flex shows as one block: a column, a row, some beside each other.
    """
    blocks: list[tuple[int, int, int, int]] = []  # first and last column, first and last row
    for column in sorted({column for column, _ in cells}):
        for first, last in _runs(sorted(row for c, row in cells if c == column)):
            beside = next((b for b in blocks if b[1:] == (column - 1, first, last)), None)
            if beside:
                blocks.remove(beside)
            blocks.append((beside[0] if beside else column, column, first, last))
    shown = blocks[:most]
    left = len(cells) - sum((right - left + 1) * (last - first + 1) for left, right, first, last in shown)
    said = ", ".join(f"{_span('column', a, b)} {_span('row', c, d)}" for a, b, c, d in shown)
    return f"{said} and {left} more" if left else said or "none"


def _runs(numbers: list[int]) -> list[tuple[int, int]]:
    """First and last of each run of consecutive numbers."""
    starts = [n for n in numbers if n - 1 not in numbers]
    ends = [n for n in numbers if n + 1 not in numbers]
    return list(zip(starts, ends, strict=True))


def _span(what: str, first: int, last: int) -> str:
    return f"{what} {first + 1}" if first == last else f"{what}s {first + 1} to {last + 1}"
