"""Patterns against Python's own `re`, which they must agree with, and which they must outlive."""

import re
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.declare.patterns import LONGEST_PATTERN, LONGEST_TEXT, Pattern, compiled, in_words

atoms = st.sampled_from(
    ["a", "b", ".", r"\d", r"\w", r"\s", r"\.", "[ab]", "[^a]", "[a-c1-3]", "[]a]", r"[\d_]", "-", "é"]
)
patterns = st.recursive(
    atoms,
    lambda inner: (
        st.lists(inner, min_size=1, max_size=3).map("".join)
        | inner.map(lambda p: f"({p})")
        | inner.map(lambda p: f"(?:{p})")
        | st.tuples(inner, inner).map(lambda t: f"(?:{t[0]}|{t[1]})")
        | st.tuples(inner, st.sampled_from(["*", "+", "?", "{2}", "{1,3}", "{2,}", "*?", "+?", "{0}"])).map(
            lambda t: f"(?:{t[0]}){t[1]}"
        )
    ),
    max_leaves=6,
)


@given(patterns, st.text(alphabet="abc12._- \né]", max_size=7))
def test_agrees_with_re(pattern: str, text: str) -> None:
    """Recomputed with Python's re.fullmatch."""
    assert Pattern(pattern).fullmatch(text) == bool(re.fullmatch(pattern, text))


@given(patterns, st.data())
def test_agrees_with_re_on_texts_that_match(pattern: str, data: st.DataObject) -> None:
    text = data.draw(st.from_regex(pattern, fullmatch=True).filter(lambda t: len(t) <= LONGEST_TEXT))
    assert Pattern(pattern).fullmatch(text)


@given(st.text(alphabet="ab(|)[]{}*+?\\^$.,-:1d", max_size=20))
def test_any_text_is_a_pattern_of_re_or_refused(pattern: str) -> None:
    try:
        ours = Pattern(pattern)
    except ValueError:
        return
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = re.compile(pattern)
    for text in ("", "a", "ab", "b1", "aab", "{", "}"):
        assert ours.fullmatch(text) == bool(theirs.fullmatch(text)), (pattern, text)


@pytest.mark.parametrize("pattern", ["(a+)+", "(a|a)*", "(a|aa)+", "(a*)*b?", "(.*)*", "(?:a?){30}a{30}"])
def test_patterns_that_take_re_for_ever_are_matched_at_once(pattern: str) -> None:
    assert not compiled(pattern).fullmatch("a" * 500 + "\n")


@pytest.mark.parametrize(
    "pattern, text", [("^QS-[0-9]{7}$", "QS-2004174"), ("^a|b$", "b"), (r"3\.4\.\d+", "3.4.12")]
)
def test_anchors_at_the_ends_are_understood(pattern: str, text: str) -> None:
    assert compiled(pattern).fullmatch(text)


@pytest.mark.parametrize("pattern, at", [
    ("a(", 2), ("(a", 1), ("a)", 2), ("[a", 1), ("*a", 1), ("a**", 3), (r"(a)\1", 4), ("(?=a)", 1),
    ("(?P<n>a)", 1),
    (r"\b", 1), ("a^b", 2), ("a$b", 2), ("(^a)", 2), ("[z-a]", 1), ("a\\", 2), ("a{3,2}", 2), ("[[a]]", 1),
])  # fmt: skip
def test_what_is_refused_says_where(pattern: str, at: int) -> None:
    with pytest.raises(ValueError, match=rf"character {at} of"):
        Pattern(pattern)


def test_size_is_bounded() -> None:
    for pattern in (
        "((a{1000}){1000}){1000}",
        "(" * 60 + "a" + ")" * 60,
        "a" * (LONGEST_PATTERN + 1),
        "(a?){9999}",
    ):
        with pytest.raises(ValueError, match=r"places|brackets|characters"):
            Pattern(pattern)
    assert Pattern("((((){9999}){9999}){9999}){9999}").fullmatch("")
    with pytest.raises(ValueError, match="too long"):
        Pattern("a*").fullmatch("a" * (LONGEST_TEXT + 1))


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        (r"QS-\d{7}", "QS-, then 7 digits"),
        (r"OR-\d\d\d{3}", "OR-, then 5 digits"),
        (r"\dA", "1 digit, then A"),
        (r"MR-21[0-9]", r"MR-21[0-9]"),
        ("A" * 490 + "(", "A" * 490 + "("),  # at once, too
    ],
)
def test_a_simple_pattern_is_said_in_words(pattern: str, words: str) -> None:
    assert in_words(pattern) == words
