"""Cells of an area as a drawing: told apart by shape, counted in words, safe whatever a record says."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from verifier.gather.workers.wire import pack, unpack
from verifier.readings import Grid, Reading
from verifier.show.grid import grid_svg

LEGEND = (("o", "reached"), ("x", "not reached"), ("g", "touched by nobody"))


def reading(*rows: str, legend: tuple[tuple[str, str], ...] = LEGEND) -> Reading:
    return Reading(name="dead", value=1, unit="1", grid=Grid(rows=rows, legend=legend))


def test_each_kind_of_cell_has_a_shape_of_its_own_and_a_line_in_the_key() -> None:
    root = etree.fromstring(grid_svg(reading("oox", "oog")))
    paths = [path.get("d") for path in root.iter("path")]
    assert len(paths) == 6  # three kinds, and their key
    assert paths[0].count("M") == 4 and paths[1].count("M") == 1
    shapes = {re.sub(r"M[\d.]+ [\d.]+", "", path) for path in paths[3:]}
    assert len(shapes) == 3  # wherever they are drawn
    assert [text.text for text in root.iter("text")] == ["reached: 4", "not reached: 1", "touched by nobody: 1"]


def test_what_did_not_happen_is_not_in_the_key_but_what_should_be_always_is() -> None:
    assert [t.text for t in etree.fromstring(grid_svg(reading("xx"))).iter("text")] == [
        "reached: 0",
        "not reached: 2",
    ]


def test_the_description_says_where() -> None:
    (described,) = etree.fromstring(grid_svg(reading("ooo", "oxo"))).iter("desc")
    assert "not reached, from the top left: column 2 row 2." in described.text
    (described,) = etree.fromstring(grid_svg(reading("x" * 20))).iter("desc")
    assert described.text.endswith("and 8 more.")


def test_no_grid_no_drawing() -> None:
    assert grid_svg(Reading(name="dead", value=0, unit="1")) == ""


@given(st.lists(st.text("oxg", min_size=5, max_size=5), min_size=1, max_size=8), st.text(max_size=40))
def test_whatever_it_says_it_is_one_drawing(rows: list[str], said: str) -> None:
    legend = (("o", said), ("x", "<script>"), ("g", "&"))
    svg = grid_svg(reading(*rows, legend=legend))
    root = etree.fromstring(svg)
    assert {element.tag for element in root.iter()} <= {"svg", "title", "desc", "rect", "path", "text"}


def test_a_grid_comes_through_the_wire_as_it_was() -> None:
    assert unpack(pack(reading("ox", "go"))) == reading("ox", "go")
