"""The touch screen probe: composed events of protocol type B, on a host whose panel is wiped as each test says."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
from panel import SLOT, TOUCH_TREE, TRACKING, X, Y, axes_text, report, stroke, wipe

from verifier.errors import Absent, NotPossible
from verifier.gather.hosts import open_host
from verifier.gather.probes.contacts import cell_of, cells_in_words, contacts_of
from verifier.gather.probes.touch import TouchGrid
from verifier.gather.virtual_time import VirtualClocks
from verifier.gather.workers import run_probe
from verifier.readings import Reading
from verifier.services import InputEvent
from verifier.steps import Cue

Grow = Callable[[dict[str, str | bytes]], Path]
WIDTH, HEIGHT = 4096, 2560


class Glass:
    """A host with a touch panel; `recordings` are what it reports, one a recording."""

    address = "local"
    services = frozenset({"files", "input"})

    def __init__(
        self, tree: Path, *recordings: Sequence[InputEvent], size: tuple[int, int] | None = (WIDTH, HEIGHT)
    ) -> None:
        self.clocks = VirtualClocks(seed=1)
        self.files = open_host(f"recorded:{tree}", self.clocks).files
        self._recordings, self._size = list(recordings), size
        self.said: list[str] = []

    @property
    def input(self) -> Glass:
        return self

    async def axis(self, device: str, code: int) -> tuple[int, int] | None:
        assert device == "event5"
        return None if self._size is None else (0, self._size[code == Y] - 1)

    async def record(self, device: str, seconds: float) -> tuple[InputEvent, ...]:
        return tuple(self._recordings.pop(0))

    def readings(self, **settings: object) -> dict[str, Reading]:
        async def take() -> dict[str, Reading]:
            found: dict[str, Reading] = {}
            async for one in run_probe(TouchGrid(), self, settings):  # type: ignore[arg-type]
                if isinstance(one, Cue):
                    self.said.append(one.say)
                else:
                    found[one.name] = one
            return found

        return anyio.run(take)


def values(found: dict[str, Reading]) -> dict[str, Any]:
    return {name: reading.value for name, reading in found.items()}


def all_of(skip: Sequence[tuple[int, int]] = ()) -> list[InputEvent]:
    return wipe(WIDTH, HEIGHT, 24, 16, skip)


def x_of(column: int) -> int:
    return (2 * column + 1) * WIDTH // 48


def y_of(row: int) -> int:
    return (2 * row + 1) * HEIGHT // 32


def test_a_whole_screen_answers_at_the_first_wipe(grow: Grow) -> None:
    glass = Glass(grow(TOUCH_TREE), [], all_of())
    assert values(glass.readings()) == {
        "panel": "Marrowby touch panel",
        "cells": 384,
        "dead": 0,
        "ghosts": 0,
        "wipes": 1,
        "dead_where": "none",
        "ghosts_where": "none",
    }
    assert glass.said[0].startswith("Wipe the glass dry") and glass.said[-1].startswith("That is enough")


def test_cells_that_were_only_missed_answer_when_they_are_asked_for_again(grow: Grow) -> None:
    again = stroke([(x_of(3), y_of(5))])
    glass = Glass(grow(TOUCH_TREE), [], all_of([(3, 5)]), again)
    found = values(glass.readings())
    assert (found["dead"], found["wipes"]) == (0, 2)
    assert "1 of 384 cells did not answer (column 4 row 6, from the top left)" in glass.said[2]


def test_a_dead_column_stays_dead_and_is_drawn(grow: Grow) -> None:
    """A flex with one open line: a whole column of cells."""
    dead = [(7, row) for row in range(16)]
    found = Glass(grow(TOUCH_TREE), [], all_of(dead), [], []).readings()
    assert found["dead"].value == 16 and found["wipes"].value == 3
    assert found["dead_where"].value == "column 8 rows 1 to 16"
    assert found["dead"].grid is not None
    assert set(found["dead"].grid.rows) == {"ooooooo" + "x" + "o" * 16}


def test_a_touch_that_nobody_made(grow: Grow) -> None:
    ghost = stroke([(x_of(0), y_of(0)), (x_of(1), y_of(0))]) + stroke([(x_of(9), y_of(9))], 2)
    found = Glass(grow(TOUCH_TREE), ghost, all_of([(9, 9)]), [], []).readings()
    assert found["ghosts"].value == 2
    assert found["ghosts_where"].value == "columns 1 to 2 row 1, column 10 row 10"
    grid = found["dead"].grid
    assert grid is not None and grid.rows[0] == "gg" + "o" * 22 and grid.rows[9][9] == "b"


def test_a_host_that_cannot_say_how_large_the_panel_is_is_told(grow: Grow) -> None:
    tree = grow(TOUCH_TREE)
    with pytest.raises(NotPossible, match="give width in the settings"):
        Glass(tree, size=None).readings()
    found = Glass(tree, [], all_of(), size=None).readings(width=WIDTH, height=HEIGHT)
    assert found["dead"].value == 0


def test_what_is_no_touch_screen(grow: Grow) -> None:
    """A touch pad is not INPUT_PROP_DIRECT; a mouse has no positions of contacts."""
    at = "sys/class/input/input5"
    with pytest.raises(Absent, match="no touch screen"):
        Glass(grow({**TOUCH_TREE, f"{at}/properties": "1"})).readings()
    with pytest.raises(NotPossible, match="protocol type A"):
        Glass(grow({f"{at}/properties": "2", f"{at}/capabilities/abs": axes_text(X, Y)})).readings()
    with pytest.raises(Absent, match="called glass"):
        Glass(grow({})).readings(name="glass")


def test_a_second_screen_is_not_guessed(grow: Grow) -> None:
    second = {path.replace("5", "6"): text for path, text in TOUCH_TREE.items()}
    with pytest.raises(NotPossible, match="several touch screens"):
        Glass(grow({**TOUCH_TREE, **second})).readings()


# ---- contacts, by Documentation/input/multi-touch-protocol.rst ---------------------------------------------


def test_the_example_of_two_contacts_of_the_kernel_document() -> None:
    """Protocol example B: two contacts, the first moved, the first lifted."""
    events = [
        *report((SLOT, 0), (TRACKING, 45), (X, 10), (Y, 20), (SLOT, 1), (TRACKING, 46), (X, 30), (Y, 40)),
        *report((SLOT, 0), (X, 11)),
        *report((TRACKING, -1)),
        *report((SLOT, 1), (Y, 41)),
    ]
    assert contacts_of(events) == [[(10, 20), (11, 20)], [(30, 40), (30, 41)]]


def test_a_contact_at_the_place_of_the_one_before_reports_only_what_changed() -> None:
    """The kernel leaves out unchanged values: the second contact goes down at the same x."""
    events = [*stroke([(10, 20)]), *report((TRACKING, 2), (Y, 25)), *report((TRACKING, -1))]
    assert contacts_of(events) == [[(10, 20)], [(10, 25)]]


def test_a_contact_at_the_very_same_place_counts_too() -> None:
    events = [*stroke([(10, 20)]), *report((TRACKING, 2)), *report((TRACKING, -1))]
    assert contacts_of(events) == [[(10, 20)], [(10, 20)]]


def test_what_is_reported_after_a_finger_was_lifted_is_no_touch() -> None:
    assert contacts_of([*stroke([(10, 20)]), *report((X, 500), (Y, 600))]) == [[(10, 20)]]


def test_a_finger_that_lay_there_before_is_seen_and_half_a_report_is_not() -> None:
    assert contacts_of([*report((X, 5), (Y, 6)), *report((X, 7))[:-1]]) == [[(5, 6)]]


@given(st.integers(-10, 5000), st.integers(-10, 5000), st.integers(1, 100), st.integers(1, 100))
def test_every_place_lies_in_a_cell(x: int, y: int, columns: int, rows: int) -> None:
    column, row = cell_of((x, y), (0, 4095), (0, 2559), columns, rows)
    assert 0 <= column < columns and 0 <= row < rows


@given(st.sets(st.tuples(st.integers(0, 11), st.integers(0, 7)), max_size=96))
def test_cells_in_words_are_those_cells_each_once(cells: set[tuple[int, int]]) -> None:
    said = cells_in_words(cells, 96)
    told = []
    for columns, rows in re.findall(r"columns? (\d+(?: to \d+)?) rows? (\d+(?: to \d+)?)", said):
        (a, b), (c, d) = ([int(n) for n in (span.split(" to ") * 2)[:2]] for span in (columns, rows))
        told += [(column - 1, row - 1) for column in range(a, b + 1) for row in range(c, d + 1)]
    assert sorted(told) == sorted(cells) and (told or said == "none")


def test_more_blocks_than_are_said_are_counted_by_their_cells() -> None:
    cells = [(3 * n, row) for n in range(5) for row in (0, 1)]
    assert cells_in_words(cells, 2) == "column 1 rows 1 to 2, column 4 rows 1 to 2 and 6 more"


def test_cells_have_equal_parts_of_the_range() -> None:
    counts = [sum(cell_of((v, 0), (0, 4095), (0, 1), 24, 1)[0] == c for v in range(4096)) for c in range(24)]
    assert set(counts) <= {170, 171} and sum(counts) == 4096


@given(st.lists(st.tuples(st.integers(0, 31), st.integers(0, 70), st.integers(-5, 70)), max_size=60))
def test_nothing_that_a_panel_says_breaks_it(raw: list[tuple[int, int, int]]) -> None:
    contacts = contacts_of([InputEvent(kind=kind, code=code, value=value, at=0.0) for kind, code, value in raw])
    said = {value for _, _, value in raw}
    assert {value for points in contacts for point in points for value in point} <= said, "no place is made up"
