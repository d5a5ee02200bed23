"""Accuracy specifications become standard uncertainties."""

from __future__ import annotations

import math

import pytest

from verifier.gather.instruments.accuracy import contributions, half_width, range_for
from verifier.gather.instruments.description import Accuracy, Instrument, Quantity
from verifier.readings import Basis, Shape

METER = Instrument(certificate="BC-2211")


def test_percent_of_reading_range_and_counts_add_up() -> None:
    """By hand: 0.05 % of 5 V + 0.01 % of 20 V + 2 × 1 mV = 2.5 mV + 2 mV + 2 mV. Form: common practice."""
    accuracy = Accuracy(full_scale=20, of_reading=0.05, of_range=0.01, counts=2, resolution=0.001)
    assert half_width(accuracy, 5.0) == pytest.approx(0.0065)
    assert half_width(accuracy, -5.0) == pytest.approx(0.0065)


def test_a_specification_is_rectangular_unless_it_says_otherwise() -> None:
    """JCGM 100, 4.3.7, eq. 7: u = a/√3; the example there: a = 0.40e-6 gives 0.23e-6 (from memory)."""
    accuracy = Accuracy(absolute=0.40e-6, resolution=1e-12)
    first = contributions(METER, "meter", accuracy, [16.52e-6], "V")[0]
    assert first.u == pytest.approx(0.23e-6, abs=0.005e-6)
    assert first.shape is Shape.RECTANGULAR and first.basis is Basis.SPECIFICATION
    assert "BC-2211" in first.note


def test_a_normal_one_is_divided_by_its_coverage_factor() -> None:
    """JCGM 100, 4.3.3: 240 µg stated as three standard deviations is u = 80 µg (from memory)."""
    accuracy = Accuracy(absolute=240e-6, resolution=1e-9, shape="normal", coverage_factor=3)
    first = contributions(METER, "mass", accuracy, [1.0], "V")[0]
    assert first.u == pytest.approx(80e-6) and first.shape is Shape.NORMAL


def test_samples_add_their_scatter_with_degrees_of_freedom() -> None:
    """JCGM 100, 4.2.3: s/√n, n - 1 degrees of freedom; by hand for 1, 2, 3: s = 1."""
    found = contributions(METER, "meter", Accuracy(absolute=0.1, resolution=0.01), [1.0, 2.0, 3.0], "V")
    repeats = found[-1]
    assert repeats.basis is Basis.REPEATS and repeats.dof == 2
    assert repeats.u == pytest.approx(1 / math.sqrt(3))
    assert found[1].u == pytest.approx(0.01 / math.sqrt(12)), "JCGM 100, F.2.2.1"


def test_the_smallest_range_that_holds_the_value_applies_unless_one_was_asked_for() -> None:
    quantity = Quantity(
        unit="V",
        ranges=tuple(Accuracy(full_scale=f, of_reading=0.1, resolution=f / 2000) for f in (200, 2, 20)),
    )
    assert range_for(quantity, 1.5, None).full_scale == 2  # type: ignore[union-attr]
    assert range_for(quantity, -15, None).full_scale == 20  # type: ignore[union-attr]
    assert range_for(quantity, 1.5, 200).full_scale == 200  # type: ignore[union-attr]
    assert range_for(quantity, 300, None) is None
