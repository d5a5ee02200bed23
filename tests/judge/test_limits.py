"""Limits in words, and limits without uncertainty."""

import pytest

from verifier.declare.suite import Limit
from verifier.judge.limits import holds, limit_words, quantity_words, value_words
from verifier.judge.values import Measured, Unusable


def limit(**keys: object) -> Limit:
    return Limit.model_validate({"reading": "a", **keys})


def seen(value: bool | float | str, unit: str = "") -> Measured:
    return Measured("a", value, unit, exact=True)


@pytest.mark.parametrize("keys, words", [
    ({"at_most": 45, "unit": "K"}, "at most 45 K"),
    ({"at_least": -62, "unit": "dBm"}, "at least −62 dBm"),
    ({"at_least": 4.75, "at_most": 5.5, "unit": "V"}, "4.75 to 5.5 V"),
    ({"nominal": 1, "tolerance": 0.1, "unit": "A"}, "1.0 ± 0.1 A"),
    ({"nominal": -0.31, "tolerance": 0.05, "unit": "A"}, "−0.31 ± 0.05 A"),
    ({"equals": 2}, "exactly 2"),
    ({"equals": "3.4.1"}, "exactly 3.4.1"),
    ({"equals": True}, "yes"),
    ({"one_of": ["a", "b"]}, "one of a, b"),
    ({"one_of": [5000, 10000], "unit": "Mbit/s"}, "one of 5000 Mbit/s, 10000 Mbit/s"),
    ({"matches": "QS-[0-9]{7}"}, "matches QS-[0-9]{7}"),
    ({"is": False}, "no"),
    ({"at_most": 50, "unit": "%"}, "at most 50%"),
    ({"at_most": 95, "unit": "Cel"}, "at most 95 °C"),
    ({"at_most": 1e7, "unit": "1"}, "at most 10000000"),
])  # fmt: skip
def test_limits_in_words(keys: dict[str, object], words: str) -> None:
    assert limit_words(limit(**keys)) == words


def test_a_limit_without_unit_speaks_in_that_of_its_reading() -> None:
    assert limit_words(limit(at_most=45), "K") == "at most 45 K"


@pytest.mark.parametrize("value, u, words", [
    (44.2345, 0.9, "44.23 V"), (44.2345, 0.012, "44.234 V"), (44.0, 0.9, "44 V"), (1234.5, 250.0, "1234 V"),
    (0.1 + 0.2, None, "0.3 V"), (-3.0, None, "−3 V"), (4.9, 1e-9, "4.9 V"),
])  # fmt: skip
def test_values_are_told_to_the_second_figure_of_their_uncertainty(
    value: float, u: float | None, words: str
) -> None:
    """JCGM 100, 7.2.6: estimates are rounded to be consistent with their uncertainties."""
    assert quantity_words(value, "V", u) == words


def test_long_texts_are_cut_and_yes_and_no_are_words() -> None:
    assert len(value_words("x" * 5000)) == 80
    assert (value_words(True), value_words(False)) == ("yes", "no")


@pytest.mark.parametrize("keys, value, unit, kept", [
    ({"equals": 2}, 2, "1", True), ({"equals": 2}, 3, "1", False), ({"equals": "a"}, "a", "", True),
    ({"equals": True}, True, "", True), ({"is": True}, False, "", False), ({"is": False}, False, "", True),
    ({"one_of": ["a", 3]}, "a", "", True), ({"one_of": ["a", 3]}, 3, "1", True),
    ({"one_of": ["a", 3]}, "3", "", False),
    ({"equals": 0.3, "unit": "A"}, 300.0, "mA", True), ({"equals": 1, "unit": "Gbit/s"}, 1000.0, "Mbit/s", True),
    ({"matches": "[a-z]+"}, "abc", "", True), ({"matches": "[a-z]+"}, "abc1", "", False),
])  # fmt: skip
def test_exact_limits(keys: dict[str, object], value: bool | float | str, unit: str, kept: bool) -> None:
    assert holds(limit(**keys), seen(value, unit)) is kept


@pytest.mark.parametrize("keys, value, unit", [
    ({"equals": 1}, True, ""), ({"is": True}, 1, "1"), ({"is": True}, "yes", ""), ({"equals": "2"}, 2, "1"),
    ({"equals": 2}, "2", ""), ({"matches": "2"}, 2, "1"), ({"one_of": ["a"]}, 3, "1"), ({"one_of": [1]}, True, ""),
    ({"equals": 2, "unit": "V"}, 2.0, "A"), ({"equals": 2}, float("nan"), "1"), ({"matches": "("}, "a", ""),
    ({"matches": "a*"}, "a" * 5000, ""),
])  # fmt: skip
def test_a_value_of_another_kind_is_nobodys_failure(
    keys: dict[str, object], value: bool | float | str, unit: str
) -> None:
    """In particular yes is not the number 1, as it is in Python."""
    with pytest.raises(Unusable):
        holds(limit(**keys), seen(value, unit))
