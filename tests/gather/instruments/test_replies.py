"""Replies are read strictly: what is no number never becomes a value."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.gather.instruments.replies import (
    SCPI_IDN,
    BadReply,
    error_of,
    fields_of,
    number,
    template_problem,
    text_of,
    value_of,
)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("17", 17.0),  # NR1, IEEE 488.2, 8.7.2
        ("-0.125", -0.125),  # NR2, 8.7.3
        ("+1.20000E+01", 12.0),  # NR3, 8.7.4
        (".5", 0.5),
    ],
)
def test_the_three_forms_of_a_number(text: str, value: float) -> None:
    assert number(text) == value


@pytest.mark.parametrize("text", ["9.9E37", "9.9E+37", "+9.90000000E+37", "-9.9E37"])
def test_overload_is_no_value(text: str) -> None:
    """SCPI-99 vol. 1, 7.2.1.4: 9.9E37 is infinity, -9.9E37 minus infinity."""
    with pytest.raises(BadReply, match="beyond its range"):
        number(text)


@pytest.mark.parametrize("text", ["9.91E37", "9.91E+37", "9.910000E+37"])
def test_not_a_number_is_no_value(text: str) -> None:
    """SCPI-99 vol. 1, 7.2.1.5: 9.91E37 is not a number."""
    with pytest.raises(BadReply, match="not a number"):
        number(text)


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e36, max_value=1e36))
def test_what_an_instrument_prints_is_what_is_read(value: float) -> None:
    assert math.isclose(number(f"{value:.9E}"), value, rel_tol=1e-8, abs_tol=1e-300)


@given(st.text(max_size=60))
def test_any_text_is_a_finite_number_or_refused(text: str) -> None:
    try:
        value = number(text)
    except BadReply:
        return
    assert math.isfinite(value) and abs(value) < 1e37
    assert text == text.strip() and float(text) == value


@given(st.binary(max_size=700))
def test_any_bytes_are_plain_text_or_refused(raw: bytes) -> None:
    try:
        text = text_of(raw)
    except BadReply as error:
        assert str(error).isprintable()
        return
    assert len(raw) <= 512 and all(" " <= c <= "~" or c == "\t" for c in text)


@pytest.mark.parametrize("text", ["nan", "inf", "1e", "1_0", "0x10", "1,5", "12 V", "", "١٢", "1e5000"])
def test_what_only_looks_like_a_number_is_refused(text: str) -> None:
    with pytest.raises(BadReply):
        number(text)


def test_an_identification_has_four_fields() -> None:
    """IEEE 488.2, 10.14 (from memory): manufacturer, model, serial number, firmware."""
    assert fields_of(SCPI_IDN, "EXAMPLE,DM1,METER-001,1.0") == {"model": "DM1", "serial": "METER-001"}
    for reply in ("EXAMPLE,DM1,METER-001", "EXAMPLE,DM1,METER-001,1.0,2", "", "METER-001"):
        with pytest.raises(BadReply):
            fields_of(SCPI_IDN, reply)


def test_a_template_fits_as_a_whole() -> None:
    assert value_of("T1 {value} C", "T1 -3.5 C") == -3.5
    assert value_of("{any}VDC {value}", "RANGE 20 VDC 4.98") == 4.98
    for reply in ("T1 23.4 F", "T1 23.4 C T1 23.5 C", "T2 23.4 C", "T1 23.4"):
        with pytest.raises(BadReply):
            value_of("T1 {value} C", reply)
    with pytest.raises(BadReply, match="beyond its range"):
        value_of("T1 {value} C", "T1 OPEN", ("T1 OPEN",))


@given(st.text(alphabet=" a,", max_size=400))
def test_no_reply_takes_long_to_hold_against_a_template(reply: str) -> None:
    """Each text ends where what follows it first stands; trying all ways to share blanks out would take years."""
    with pytest.raises(BadReply):
        fields_of(" ".join(["{any}"] * 12) + ";{serial}", reply)


@pytest.mark.parametrize("template", ["{any}{serial}", "{serial},{serial}", "{value} {value}"])
def test_a_template_that_cannot_be_told_apart_is_refused(template: str) -> None:
    assert template_problem(template)
    assert not template_problem("{any},{any} {serial}") and not template_problem("{any}{value}")


def test_an_error_queue_is_empty_at_zero() -> None:
    """SCPI-99 vol. 2, 21.8 (from memory): 0,"No error"; -113,"Undefined header"; -350,"Queue overflow"."""
    assert error_of('0,"No error"') == "" == error_of('+0,"No error"')
    assert error_of('-113,"Undefined header"') == "-113 Undefined header"
    with pytest.raises(BadReply):
        error_of("OK")
