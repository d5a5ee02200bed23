"""Exact intervals of a proportion, against published ones."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.judge.proportions import clopper_pearson


@pytest.mark.parametrize(
    ("count", "total", "lower", "upper"),
    [
        # Newcombe 1998, Statistics in Medicine 17:857-872, Table I, method 5 (Clopper-Pearson), 95 %.
        (81, 263, 0.2527, 0.3676),
        (1, 29, 0.0009, 0.1776),
    ],
)
def test_published_intervals(count: int, total: int, lower: float, upper: float) -> None:
    assert clopper_pearson(count, total) == pytest.approx((lower, upper), abs=5e-5)


def test_ninety_per_cent_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20, 90 % two-sided: 0.071354 to 0.401029."""
    assert clopper_pearson(4, 20, 0.90) == pytest.approx((0.071354, 0.401029), abs=1e-6)


@given(total=st.integers(1, 2000), data=st.data())
def test_the_fraction_lies_inside_and_the_mirror_is_the_mirror(total: int, data: st.DataObject) -> None:
    count = data.draw(st.integers(0, total))
    low, high = clopper_pearson(count, total)
    assert 0 <= low <= count / total <= high <= 1
    assert clopper_pearson(total - count, total) == pytest.approx((1 - high, 1 - low), abs=1e-9)


@pytest.mark.parametrize(("count", "total"), [(1, 0), (-1, 3), (4, 3)])
def test_no_proportion(count: int, total: int) -> None:
    with pytest.raises(ValueError, match="no proportion"):
        clopper_pearson(count, total)
