"""Repair orders from files."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from verifier.declare.lint import LoadedSuite
from verifier.declare.order_file import load_order
from verifier.errors import InputError, InputProblems

ORDER = """\
ticket = "BF-26-01847"
complaint = "No network in the morning"
model = "marrowby-quayside"
serial = "QS-2004174"
technician = "T07"
document = "QS service document, revision 7"

[[replaced]]
part = "radio-module"
old_number = "MR-2101"
number = "MR-2104"
lot = "2231"
expiry = 2027-03-31

[[consumables]]
name = "Phase-change sheet"
opened = "2026-10-01"

[fasteners.board-screw]
removed = 7
fitted = 6
issued = 1
discarded = 2
"""


@pytest.fixture
def order_file(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "order.toml"
        path.write_text(text)
        return path

    return write


def test_order_of_the_suites_model(
    load: Callable[[str], LoadedSuite], good: str, order_file: Callable[[str], Path]
) -> None:
    suite = load(good).suite
    order = load_order(order_file(ORDER), suite)
    assert order.ticket == "BF-26-01847"
    assert order.replaced[0].expiry == date(2027, 3, 31)
    assert order.consumables[0].opened == date(2026, 10, 1)
    assert order.fasteners["board-screw"].discarded == 2
    assert load_order(order_file(ORDER)) == order


@pytest.mark.parametrize(
    ("old", "new", "place", "path", "what", "hint"),
    [
        (
            'model = "marrowby-quayside"',
            'model = "marrowby-orlop"',
            (3, 9),
            "model",
            '"marrowby-orlop"',
            "suite of",
        ),
        ('part = "radio-module"', 'part = "radio"', (9, 8), "replaced[0].part", "no part", '"radio-module"'),
        ("expiry = 2027-03-31", 'expiry = "31.3.2027"', (13, 10), "replaced[0].expiry", "takes a date", ""),
        (
            "expiry = 2027-03-31",
            "expiry = 2027-03-31T12:00:00",
            (13, 10),
            "replaced[0].expiry",
            "takes a date",
            "",
        ),
        ('ticket = "BF-26-01847"', "ticket = 2026-01-01", (1, 10), "ticket", "date", "quotes"),
        ('ticket = "BF-26-01847"', "tickt = 1", (1, 1), "tickt", "unknown key", '"ticket"'),
        ("removed = 7", "removed = -7", (20, 11), "fasteners.board-screw.removed", "-7 is below 0", ""),
        ("removed = 7", 'removed = "seven"', (20, 11), "fasteners.board-screw.removed", "whole number", ""),
    ],
)
def test_mistakes_have_place_and_hint(
    load: Callable[[str], LoadedSuite],
    good: str,
    order_file: Callable[[str], Path],
    old: str,
    new: str,
    place: tuple[int, int],
    path: str,
    what: str,
    hint: str,
) -> None:
    with pytest.raises(InputProblems) as caught:
        load_order(order_file(ORDER.replace(old, new)), load(good).suite)
    first = caught.value.problems[0]
    assert (first.line, first.column, first.path) == (*place, path)
    assert what in first.what
    assert hint in first.to_do
    assert caught.value.exit_code == 2


def test_all_mistakes_at_once(
    load: Callable[[str], LoadedSuite], good: str, order_file: Callable[[str], Path]
) -> None:
    bad = ORDER.replace("removed = 7", "removed = -7").replace("radio-module", "radio").replace("serial", "seral")
    with pytest.raises(InputProblems) as caught:
        load_order(order_file(bad), load(good).suite)
    assert [p.path for p in caught.value.problems] == [
        "seral",
        "replaced[0].part",
        "fasteners.board-screw.removed",
    ]


def test_no_such_order(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_order(tmp_path / "order.toml")
