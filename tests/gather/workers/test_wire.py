"""Readings survive the way between worker and parent; anything else is refused."""

import json
import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.gather.workers.wire import WireError, decode, encode, pack, unpack
from verifier.readings import Basis, Conditions, Contribution, Reading, Series, Shape

FINITE = st.floats(allow_nan=False, allow_infinity=False)
CONTRIBUTIONS = st.builds(
    Contribution,
    basis=st.sampled_from(Basis),
    u=st.floats(min_value=0, max_value=1e300),
    shape=st.sampled_from(Shape),
    dof=st.none() | st.floats(min_value=0.1, max_value=1e9),
    note=st.text(),
)
READINGS = st.builds(
    Reading,
    name=st.text(),
    value=st.booleans() | st.integers() | FINITE | st.text(),
    unit=st.text(),
    origin=st.text(),
    exact=st.booleans(),
    contributions=st.lists(CONTRIBUTIONS, max_size=3).map(tuple),
    series=st.none()
    | st.builds(
        Series,
        t0=FINITE,
        dt=FINITE,
        values=st.lists(FINITE, max_size=5).map(tuple),
        model=st.lists(FINITE, max_size=5).map(tuple),
    ),
    conditions=st.builds(
        Conditions, looks=st.integers(1, 100), at_least=st.booleans(), doubt=st.text(), remark=st.text()
    ),
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=8,
)
WHOLE = pack(Reading(name="heat", value=1.0, unit="Cel", series=Series(t0=0.0, dt=1.0, values=(1.0,))))


@given(READINGS)
def test_a_reading_comes_back_as_it_was(reading: Reading) -> None:
    back = unpack(decode(encode(pack(reading))))
    assert back == reading and type(back.value) is type(reading.value)


def test_not_a_number_comes_through_to_be_refused_by_name() -> None:
    back = unpack(decode(encode(pack(Reading(name="x", value=math.nan)))))
    assert isinstance(back.value, float) and math.isnan(back.value)


@given(st.binary(max_size=100))
def test_bytes_that_are_no_message_are_refused(line: bytes) -> None:
    with suppress(WireError):
        assert isinstance(decode(line), dict)


@pytest.mark.parametrize("line", [b"[" * 100_000, b'{"a":' * 50_000, b"1" * 5000, b'"' + b"x" * 100])
def test_lines_made_to_break_a_parser_are_refused(line: bytes) -> None:
    with pytest.raises(WireError):
        decode(line)


@given(st.sampled_from(sorted(WHOLE)), JSON)
def test_a_reading_with_one_field_of_any_other_content(field: str, content: object) -> None:
    try:
        reading = unpack({**WHOLE, field: content})
    except WireError:
        return
    assert isinstance(reading.name, str) and isinstance(reading.exact, bool)
    assert isinstance(reading.value, bool | int | float | str)
    assert all(isinstance(c, Contribution) for c in reading.contributions)
    json.dumps(pack(reading))
