"""A code for a camera as a terminal shows it: the very modules that segno makes, or a reason why not."""

from __future__ import annotations

import io
import sys

import pytest
import segno
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import NotPossible
from verifier.gather.probes.camera_code import LETTERS
from verifier.gather.prompts.code import AS_BEFORE, DARK_ON_LIGHT, drawn

HALVES = {" ": (0, 0), "▀": (1, 0), "▄": (0, 1), "█": (1, 1)}


def modules(shown: str) -> list[list[int]]:
    """What is dark on the screen, two rows a line."""
    rows = []
    for line in shown.split("\n"):
        assert line.startswith(DARK_ON_LIGHT) and line.endswith(AS_BEFORE)
        cells = [HALVES[c] for c in line.removeprefix(DARK_ON_LIGHT).removesuffix(AS_BEFORE)]
        rows += [[above for above, _ in cells], [below for _, below in cells]]
    return rows


@pytest.fixture(scope="module", autouse=True)
def terminal() -> object:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "80")
        patch.setenv("LINES", "24")
        patch.setenv("TERM", "xterm")
        patch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), "utf-8"))
        yield


@given(text=st.text(LETTERS, min_size=6, max_size=6))
def test_it_is_the_code_with_four_light_modules_about_it(text: str) -> None:
    code = segno.make(text, error="m", micro=False)
    side, expected = len(code.matrix) + 8, [list(row) for row in code.matrix_iter(border=4)]
    assert modules(drawn(text)) == [*expected, [0] * side]
    assert len(drawn(text).split("\n")) + 6 <= 24  # on the smallest terminal the question still stands below it


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [("COLUMNS", "28", "29 columns"), ("LINES", "20", "21 lines"), ("TERM", "dumb", "colours")],
)
def test_where_it_cannot_be_shown_whole(
    name: str, value: str, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(name, value)
    with pytest.raises(NotPossible, match=words):
        drawn("ABC234")


def test_where_there_are_no_half_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), "latin-1"))
    with pytest.raises(NotPossible, match="UTF-8"):
        drawn("ABC234")
