"""Rounding and units. Section numbers are those of JCGM 100:2008 unless another document is named.

The examples of 7.2.6 were read in a quotation of it; those of 7.2.2 and H.1.7, and the rules of ISO 80000-1
and the SI brochure, are from memory.
"""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.show import numbers

T = numbers.THIN


def plain_text(text: str) -> str:
    return text.replace(T, "").replace("−", "-")


def test_jcgm_100_7_2_6_estimate_follows_its_uncertainty() -> None:
    """7.2.6: y = 10.057 62 Ω with uc = 27 mΩ is rounded to 10.058 Ω."""
    rounded = numbers.measured(10.05762, 0.027)
    assert (rounded.value, rounded.uncertainty) == ("10.058", "0.027")


def test_jcgm_100_7_2_6_nearest_digit() -> None:
    """7.2.6: u(x) = 28.05 kHz is rounded down to 28 kHz."""
    assert numbers.uncertainty_text(28.05) == "28"


def test_jcgm_100_7_2_2_mass_standard() -> None:
    """7.2.2: m_S = 100.021 47 g with uc = 0.35 mg."""
    rounded = numbers.measured(100.02147, 0.00035)
    assert rounded.value == f"100.021{T}47"
    assert plain_text(rounded.uncertainty) == "0.00035"


def test_jcgm_100_h_1_7_end_gauge() -> None:
    """H.1.7: l = (50.000 838 ± 0.000 093) mm, U = 93 nm."""
    rounded = numbers.measured(50.000838, 0.000093)
    assert (rounded.value, rounded.uncertainty, rounded.power) == (f"50.000{T}838", f"0.000{T}093", "")


@pytest.mark.parametrize(
    ("value", "u", "expected"),
    [
        (1.0, 0.0996, "1.00 ± 0.10"),  # the uncertainty itself gains a place when it is rounded
        (44.1, 1.8620, "44.1 ± 1.9"),
        (10_057.0, 270.0, "10 060 ± 270"),
        (-49.5, 2.0, "−49.5 ± 2.0"),
        (-0.001, 2.0, "0.0 ± 2.0"),  # no negative zero
        (2.5, 10.0, "2 ± 10"),  # ties to even: ISO 80000-1:2009, B.2, rule A
        (3.5, 10.0, "4 ± 10"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value: float, u: float, expected: str) -> None:
    assert str(numbers.measured(value, u)).replace(T, " ") == expected


def test_very_large_and_very_small_share_one_power_of_ten() -> None:
    assert str(numbers.measured(1.2345e8, 1.2e6)).replace(T, " ") == "(1.234 ± 0.012) × 10⁸"
    assert str(numbers.measured(1.2e-6, 1e-7)).replace(T, " ") == "(1.20 ± 0.10) × 10⁻⁶"


@given(
    st.floats(min_value=-1e6, max_value=1e6, allow_nan=False),
    st.floats(min_value=1e-3, max_value=1e5, allow_nan=False),
)
def test_rounding_never_moves_a_value_by_more_than_half_the_last_place(value: float, u: float) -> None:
    rounded = numbers.measured(value, u)
    if rounded.power:
        return
    shown_u, shown = Decimal(plain_text(rounded.uncertainty)), Decimal(plain_text(rounded.value))
    place = Decimal(1).scaleb(shown_u.as_tuple().exponent if "." in rounded.uncertainty else 0)  # type: ignore[arg-type]
    place = max(place, Decimal(10) ** (shown_u.adjusted() - 1))
    assert abs(shown - Decimal(repr(value))) <= place / 2
    assert abs(shown_u - Decimal(repr(u))) <= place / 2


@given(st.floats(allow_nan=False, allow_infinity=False), st.floats(min_value=5e-324, allow_infinity=False))
def test_any_pair_can_be_shown(value: float, u: float) -> None:
    text = str(numbers.measured(value, u))
    assert len(text) < 80
    assert "-" not in text
    assert "E" not in text


@given(st.one_of(st.integers(), st.floats()))
def test_any_number_can_be_shown(number: float) -> None:
    text = numbers.plain(number)
    assert 0 < len(text) < 40
    assert "-" not in text


@given(st.integers(min_value=-(10**14), max_value=10**14))
def test_whole_numbers_lose_nothing(number: int) -> None:
    assert int(plain_text(numbers.plain(number))) == number


@pytest.mark.parametrize(
    ("number", "expected"),
    [
        (0.1 + 0.2, "0.3"),
        (5000, "5000"),
        (115_200, "115 200"),
        (4.75, "4.75"),
        (-62.0, "−62"),
        (0.0, "0"),
        (-0.0, "0"),
    ],
)
def test_plain_numbers(number: float, expected: str) -> None:
    """Groups of three from five digits on: SI brochure, 9th edition, 5.4.4."""
    assert numbers.plain(number).replace(T, " ") == expected


def test_numbers_that_are_none() -> None:
    assert numbers.plain(math.nan) == "not a number"
    assert numbers.plain(math.inf) == "∞"


@pytest.mark.parametrize(
    ("ucum", "shown"),
    [
        # UCUM codes, from memory.
        ("1", ""), ("", ""), ("Cel", "°C"), ("Ohm", "Ω"), ("kOhm", "kΩ"), ("uV", "µV"), ("us", "µs"), ("V", "V"),
        ("m/s2", "m/s²"), ("K/W", "K/W"), ("J/K", "J/K"), ("mA.h", "mAh"), ("By", "B"), ("MBy/s", "MB/s"),
        ("GiBy", "GiB"),
        ("Mbit/s", "Mbit/s"), ("dB", "dB"), ("[ppm]", "ppm"), ("%", "%"),
        ("deg", "°"), ("{fasteners}", "fasteners"), ("/min", "1/min"), ("s-1", "1/s"),
        # Bench spellings come through.
        ("dBm", "dBm"), ("°C", "°C"), ("Ω", "Ω"), ("ppm", "ppm"),
    ],
)  # fmt: skip
def test_units_as_people_write_them(ucum: str, shown: str) -> None:
    assert numbers.unit_text(ucum) == shown


@given(st.text(max_size=60))
def test_any_text_as_unit_is_survived(text: str) -> None:
    assert isinstance(numbers.with_unit("1", text), str)


def test_probabilities_never_claim_certainty() -> None:
    assert numbers.probability(0.99999) == "above 0.999"
    assert numbers.probability(1e-9) == "below 0.001"
    assert numbers.probability(0.975) == "0.975"
    assert numbers.percent(0.025).replace(T, " ") == "2.5 %"
    assert numbers.percent(0.78).replace(T, " ") == "78 %"
    assert numbers.percent(0.0004).replace(T, " ") == "0.040 %"
