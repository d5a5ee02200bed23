"""The arithmetic of `compute`, against Python's own and against finite differences."""

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from verifier.declare.expressions import DEEPEST, LONGEST, parse

NAMES = ("a", "b", "c_1")
leaves = st.sampled_from(NAMES) | st.integers(0, 99).map(str) | st.floats(0.01, 1e3).map(lambda x: f"{x:.4f}")
texts = st.recursive(
    leaves,
    lambda inner: (
        st.tuples(inner, st.sampled_from("+-*/"), inner).map(lambda t: f"({t[0]} {t[1]} {t[2]})")
        | inner.map(lambda t: f"-({t})")
        | inner.map(lambda t: f"abs({t})")
        | st.tuples(st.sampled_from(("min", "max")), inner, inner).map(lambda t: f"{t[0]}({t[1]}, {t[2]})")
    ),
    max_leaves=8,
)
values = st.fixed_dictionaries({name: st.floats(-100, 100) for name in NAMES})


@given(texts, values)
def test_values_are_those_of_python(text: str, given_values: dict[str, float]) -> None:
    """Recomputed with Python's own eval of the same text."""
    try:
        expected = eval(text, {"__builtins__": {}, "min": min, "max": max, "abs": abs}, given_values)  # noqa: S307
    except ZeroDivisionError:
        with pytest.raises(ValueError, match="division by zero"):
            parse(text).evaluate(given_values)
        return
    assume(math.isfinite(expected))
    # `linear` also wants finite sensitivities, which a division by next to nothing may not have.
    try:
        found = parse(text).evaluate(given_values)
    except ValueError as error:
        assert "no finite number" in str(error)
        return
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-12)


@settings(max_examples=50)
@given(texts, values)
def test_sensitivities_are_those_of_finite_differences(text: str, at: dict[str, float]) -> None:
    """Recomputed by differences to both sides, where these agree (at a corner of min, max, abs they do not)."""
    # Off round numbers, where two corners may meet and hide each other.
    at = {name: value + odd for (name, value), odd in zip(at.items(), (0.1234, 0.4567, 0.7891), strict=True)}
    expression = parse(text)
    units = dict.fromkeys(NAMES, "1")
    try:
        linear = expression.linear(at, units)
        for name in expression.names:
            h = 1e-4
            here, up, down = (expression.evaluate({**at, name: at[name] + d * h}) for d in (0, 1, -1))
            right, left = (up - here) / h, (here - down) / h
            scale = max(abs(right), abs(left), abs(here), 1)
            if scale < 1e4 and abs(right - left) < 1e-4 * scale:
                assert linear.sensitivities.get(name, 0.0) == pytest.approx((right + left) / 2, abs=1e-2 * scale)
    except ValueError:
        return


@given(st.text(alphabet="ab1.e+-*/(), minaxs_\x00é\n", max_size=60))
def test_any_text_is_an_expression_or_refused(text: str) -> None:
    try:
        expression = parse(text)
    except ValueError:
        return
    assert set(expression.names) <= set(text.replace("(", " ").replace(")", " ").translate(
        str.maketrans("+-*/,", "     ")).split())  # fmt: skip


@pytest.mark.parametrize("text, at", [
    ("", 1), ("a +", 4), ("(a", 3), ("a b", 3), ("a ** 2", 4), ("a // b", 4), ("import os", 8), ("f(a)", 1),
    ("__import__('os')", 1), ("max()", 5), ("abs(a, b)", 6), ("a; b", 2), ("a.real", 2), ("[a]", 1),
    ("max(a,)", 7),
    ("a if b else c", 3), ("1e999", 6), ("é", 1), ("min", 4), ("a == b", 3),
])  # fmt: skip
def test_everything_else_is_refused_with_its_place(text: str, at: int) -> None:
    with pytest.raises(ValueError, match=rf"character {at} of"):
        parse(text)


def test_length_and_depth_are_bounded() -> None:
    with pytest.raises(ValueError, match=f"at most {LONGEST}"):
        parse("a+" * LONGEST + "a")
    with pytest.raises(ValueError, match=f"more than {DEEPEST}"):
        parse("(" * 100 + "a" + ")" * 100)
    with pytest.raises(ValueError, match=f"more than {DEEPEST}"):
        parse("-" * 300 + "a")
    chain = "+".join(["a"] * 250)
    assert parse(chain).evaluate({"a": 2.0}) == 500.0
    assert parse(chain).unit({"a": "V"}) == "V"


def test_names_in_order_of_appearance() -> None:
    assert parse("removed + issued - (fitted + discarded) - removed").names == (
        "removed", "issued", "fitted", "discarded",
    )  # fmt: skip


@pytest.mark.parametrize("text, given_units, unit", [
    ("a + b - c", {"a": "V", "b": "mV", "c": "V"}, "V"),
    ("a * b", {"a": "V", "b": "A"}, "V.A"),
    ("a / b", {"a": "K", "b": "W"}, "K/W"),
    ("a / b", {"a": "mA", "b": "mA"}, "1"),
    ("3 * a", {"a": "°C"}, None),
    ("a - b", {"a": "Cel", "b": "Cel"}, "K"),
    ("(a + b) / 2", {"a": "Cel", "b": "mCel"}, "Cel"),
    ("0.1 * a + 0.9 * b", {"a": "Cel", "b": "Cel"}, "Cel"),
    ("a - b + c", {"a": "Cel", "b": "Cel", "c": "Cel"}, "Cel"),
    ("b + a", {"a": "Cel", "b": "K"}, "Cel"),
    ("a + b", {"a": "Cel", "b": "Cel"}, None),
    ("a * b", {"a": "Cel", "b": "A"}, None),
    ("abs(a)", {"a": "Cel"}, None),
    ("abs(a - b)", {"a": "dBm", "b": "dBm"}, "dB"),
    ("a + b", {"a": "dBm", "b": "dBm"}, None),
    ("a + b", {"a": "dBm", "b": "dB"}, "dBm"),
    ("a + b", {"a": "dBm", "b": "W"}, None),
    ("min(a, b)", {"a": "Cel", "b": "K"}, None),
    ("max(a - b, 0)", {"a": "V", "b": "V"}, "V"),
    ("a + b", {"a": "K", "b": "V"}, None),
    ("a + 5", {"a": "K"}, None),
    ("a / (b - c)", {"a": "V", "b": "A", "c": "A"}, "V/A"),
    ("1 / a", {"a": "s"}, "1/s"),
])  # fmt: skip
def test_units_follow_the_arithmetic(text: str, given_units: dict[str, str], unit: str | None) -> None:
    """Points and differences of scales without a natural zero: affine algebra, from memory."""
    if unit is None:
        with pytest.raises(ValueError, match=r"character|natural zero"):
            parse(text).unit(given_units)
    else:
        assert parse(text).unit(given_units) == unit


def test_adding_kelvin_to_volts_says_what_is_what() -> None:
    with pytest.raises(
        ValueError, match=r'"\+" needs both sides in units of one kind: rise is in K, supply is in V'
    ):
        parse("rise + supply").unit({"rise": "K", "supply": "V"})


def test_mixed_prefixes_are_converted() -> None:
    linear = parse("a + b").linear({"a": 1.0, "b": 250.0}, {"a": "A", "b": "mA"})
    assert (linear.value, linear.unit, linear.sensitivities) == (1.25, "A", {"a": 1.0, "b": 0.001})


def test_sensitivities_of_a_divider() -> None:
    """a/(a + b) at a = 1, b = 3: b/(a + b)² = 3/16 and −a/(a + b)² = −1/16, by hand."""
    linear = parse("a / (a + b)").linear({"a": 1.0, "b": 3.0}, {"a": "Ohm", "b": "Ohm"})
    assert linear.value == 0.25
    assert linear.sensitivities == {"a": pytest.approx(3 / 16), "b": pytest.approx(-1 / 16)}


def test_equal_operands_of_max_take_the_larger_uncertainty() -> None:
    expression = parse("max(a, b)")
    for u, chosen in (({"a": 1.0, "b": 2.0}, "b"), ({"a": 2.0, "b": 1.0}, "a")):
        assert set(expression.linear({"a": 5.0, "b": 5.0}, {"a": "V", "b": "V"}, u).sensitivities) == {chosen}


def test_missing_names_and_zero_divisors_are_told() -> None:
    with pytest.raises(ValueError, match='no reading "b"'):
        parse("a + b").evaluate({"a": 1.0})
    with pytest.raises(ValueError, match=r"division by zero \(character 3\)"):
        parse("a / (b - b)").evaluate({"a": 1.0, "b": 2.0})
    with pytest.raises(ValueError, match="no finite number"):
        parse("a * a").evaluate({"a": 1e200})
