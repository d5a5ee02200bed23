"""Text from outside: nothing hidden, nothing that escapes."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.show.outside import css_string, name, outside, visible


@pytest.mark.parametrize(
    "unseen",
    # Unicode, layout controls, and UAX #9, directional formatting characters: from memory.
    [
        "\u202e",
        "\u202d",
        "\u2066",
        "\u2069",
        "\u200f",
        "\u200b",
        "\ufeff",
        "\x00",
        "\x1b",
        "\x85",
        "\u2028",
        "\U000e0041",
    ],
)
def test_what_cannot_be_seen_is_written_as_its_number(unseen: str) -> None:
    assert visible(f"QS-{unseen}2004174") == f"QS-⟨U+{ord(unseen):04X}⟩2004174"


def test_ordinary_text_is_left_alone() -> None:
    text = "Größe 3 Ω, −4 °C — “ok”\nשלום 漢字 🔧"
    assert visible(text) == text


def test_accents_cannot_paint_over_other_rows() -> None:
    assert visible("a" + "\u0301" * 50) == "a" + "\u0301" * 3 + "⟨…⟩"


def test_long_text_is_cut_and_says_so() -> None:
    assert visible("x" * 10_000).endswith("(6000 more characters in the record)")


@given(st.text())
def test_markup_never_comes_through(text: str) -> None:
    inner = str(outside(text)).removeprefix("<bdi>").removesuffix("</bdi>")
    assert not re.search(r"[<>\"']", inner)
    inner.encode("utf-8")  # no halves of surrogate pairs


@given(st.text())
def test_a_css_string_never_ends_early(text: str) -> None:
    css = css_string(text)
    assert re.fullmatch(r'"(?:[A-Za-z0-9 .-]|\\[0-9a-f]{6} )*"', css)


def test_a_name_may_be_broken_after_its_underscores_and_nowhere_else() -> None:
    assert name("shell_temp_zone_0") == '<bdi class="name">shell_<wbr>temp_<wbr>zone_<wbr>0</bdi>'
    assert name("count") == '<bdi class="name">count</bdi>'
    assert name("_a__b_") == '<bdi class="name">_<wbr>a__<wbr>b_</bdi>'
    assert name("") == '<bdi class="name"></bdi>'
    assert name("<b_\u202e>") == '<bdi class="name">&lt;b_<wbr>⟨U+202E⟩&gt;</bdi>'


def test_a_name_without_underscores_that_fits_no_column_breaks_wherever_it_must() -> None:
    assert name("x" * 60) == f"<bdi>{'x' * 60}</bdi>"
