"""Key path to line and column, for every way in which TOML writes a key."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.declare.places import KeyPath, places

TEXT = """\
schema = 1
a."b c".d = [ { x = 1, y.z = "é", w = 2 }, [1, [2, 3]] ]

[parts.radio-module] # ]
title = "x"

[[checks]]
id = "é" # [[checks]]
limits = [
  { reading = "é", at_least = -62 }, # }
  { u = [] },
]
[checks.settings]
k = true
[[checks.more]]
m = 1
[[checks.more]]
m = 2

[[checks]]
id = '''
two lines'''
"q\\u0041" = 1
"""


@pytest.mark.parametrize(
    ("path", "key", "value"),
    [
        (("schema",), (1, 1), (1, 10)),
        (("a",), (2, 1), (2, 1)),
        (("a", "b c", "d"), (2, 9), (2, 13)),
        (("a", "b c", "d", 0), (2, 15), (2, 15)),
        (("a", "b c", "d", 0, "y", "z"), (2, 26), (2, 30)),
        (("a", "b c", "d", 0, "w"), (2, 35), (2, 39)),
        (("a", "b c", "d", 1, 1, 0), (2, 49), (2, 49)),
        (("parts", "radio-module"), (4, 8), (4, 8)),
        (("checks",), (7, 3), (7, 3)),
        (("checks", 0), (7, 3), (7, 3)),
        (("checks", 0, "limits", 0, "at_least"), (10, 20), (10, 31)),
        (("checks", 0, "limits", 1), (11, 3), (11, 3)),
        (("checks", 0, "settings", "k"), (14, 1), (14, 5)),
        (("checks", 0, "more", 1, "m"), (18, 1), (18, 5)),
        (("checks", 1), (20, 3), (20, 3)),
        (("checks", 1, "id"), (21, 1), (21, 6)),
        (("checks", 1, "qA"), (23, 1), (23, 13)),
    ],
)
def test_key_and_value(path: KeyPath, key: tuple[int, int], value: tuple[int, int]) -> None:
    index = places(TEXT)
    assert index.of(path, value=False) == key
    assert index.of(path) == value


@pytest.mark.parametrize(
    ("path", "place"),
    [
        (("checks", 1, "title"), (20, 3)),
        (("checks", 0, "limits", 0, "unit"), (10, 3)),
        (("checks", 0, "limits", 7, "unit"), (9, 1)),
        (("nothing", "here"), (1, 1)),
        ((), (1, 1)),
    ],
)
def test_what_is_missing_points_at_what_is_around_it(path: KeyPath, place: tuple[int, int]) -> None:
    assert places(TEXT).of(path) == place


def _leaves(data: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    if isinstance(data, dict):
        for key, value in data.items():
            yield from _leaves(value, (*path, key))
    elif isinstance(data, list):
        for number, value in enumerate(data):
            yield from _leaves(value, (*path, number))
    else:
        yield path, data


KEYS = st.sampled_from(["a", "b", "c-d", '"e f"', "'g'"])
SCALARS = st.integers(0, 99).map(str)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[ " + ", ".join(items) + " ]"),
        st.dictionaries(KEYS, inner, max_size=3).map(
            lambda pairs: "{ " + ", ".join(f"{key} = {value}" for key, value in pairs.items()) + " }"
        ),
    ),
    max_leaves=6,
)
LINES = st.one_of(
    st.tuples(st.lists(KEYS, min_size=1, max_size=3).map(".".join), VALUES).map(" = ".join),
    st.lists(KEYS, min_size=1, max_size=3).map(lambda keys: f"[{'.'.join(keys)}]"),
    st.lists(KEYS, min_size=1, max_size=2).map(lambda keys: f"[[{'.'.join(keys)}]]"),
    st.just("# é [[a]]"),
)


@settings(max_examples=300, deadline=None)
@given(lines=st.lists(LINES, max_size=8))
def test_every_value_is_found_where_it_stands(lines: list[str]) -> None:
    """Whatever tomllib reads: at the place given for a number, that number stands."""
    text = "\n".join(lines)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    index = places(text)
    rows = text.split("\n")
    for path, value in _leaves(data):
        line, column = index.of(path)
        assert rows[line - 1][column - 1 :].startswith(str(value)), path
