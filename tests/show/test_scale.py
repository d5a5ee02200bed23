"""The limit scale: what stands left stands left, whatever the numbers."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.readings import Held, Verdict
from verifier.show.scale import WIDTH, geometry, scale_svg

number = st.floats(min_value=-1e9, max_value=1e9, allow_nan=False)


def held(value: float | None, low: float | None, high: float | None, u: float | None = None) -> Held:
    made = Held(reading="x", verdict=Verdict.PASS, limit="as drawn", source="invented", rule="guarded")
    made = replace(made, value=value, unit="K", lower=low, upper=high, u=u)
    if u is None or value is None:
        return made
    return replace(
        made,
        interval=(value - 2 * u, value + 2 * u),
        accept_from=None if low is None else low + 2 * u,
        accept_to=None if high is None else high - 2 * u,
        guard_band=2 * u,
    )


@given(st.lists(number, min_size=2, max_size=2), number, st.floats(min_value=0, max_value=1e9))
def test_positions_keep_the_order_of_the_values(limits: list[float], value: float, u: float) -> None:
    low, high = sorted(limits)
    for case in (held(value, low, high, u), held(value, low, None, u), held(value, None, high, u)):
        g = geometry(case)
        assert g is not None
        assert g.reading is not None
        for limit, x in zip([v for v in (case.lower, case.upper) if v is not None], g.limits, strict=True):
            assert 0 <= x <= WIDTH
            if value < limit:
                assert g.reading <= x
            if value > limit:
                assert g.reading >= x
        if g.whisker:
            assert g.whisker[0] <= g.reading <= g.whisker[1]
        for a, b in (*g.guard, *g.beyond):
            assert a <= b


@given(number, st.floats(min_value=1e-3, max_value=1e6), st.floats(min_value=0.001, max_value=0.999))
def test_inside_and_outside_can_be_told_apart_by_eye(low: float, width: float, share: float) -> None:
    """A wedge stands clear of the tick when the value is clear of the limit."""
    inside = geometry(held(low + width * (0.2 + 0.6 * share), low, low + width))
    outside = geometry(held(low - width * (0.2 + share), low, low + width))
    assert inside and inside.reading and outside and outside.reading
    assert inside.limits[0] + 3 < inside.reading < inside.limits[1] - 3
    assert outside.reading < outside.limits[0] - 3


def test_far_outside_points_off_the_edge_and_limits_stay_apart() -> None:
    for value, side in ((1e9, 1), (-1e9, -1)):
        g = geometry(held(value, 90, 110, 1))
        assert g and g.off_scale == side
        assert g.limits[1] - g.limits[0] > WIDTH / 3
        assert "off the drawn scale" in scale_svg(held(value, 90, 110, 1))


def test_huge_uncertainty_runs_off_both_ends() -> None:
    g = geometry(replace(held(100, 90, 110, 500), accept_none=True, accept_from=None, accept_to=None))
    assert g and g.open_ends == (True, True)
    assert g.accepted is None
    assert g.guard == ((g.limits[0], g.limits[1]),)


def test_guard_band_lies_between_limit_and_acceptance() -> None:
    g = geometry(held(44.1, None, 45, 0.95))
    assert g and g.accepted
    assert g.guard == ((g.accepted[1], g.limits[0]),)
    assert g.accepted[1] < g.limits[0]
    assert g.beyond[0][0] == g.limits[0]


def test_unknown_uncertainty_has_no_whisker_and_no_guard() -> None:
    svg = scale_svg(held(4.9, 4.75, 5.5))
    assert 'class="whisker"' not in svg
    assert 'class="guard"' not in svg
    assert 'class="reading"' in svg


def test_nothing_to_draw_for_texts() -> None:
    assert scale_svg(held(None, None, None)) == ""


def test_a_missing_reading_still_shows_the_limits() -> None:
    svg = scale_svg(held(None, 1, 2))
    assert 'class="reading"' not in svg
    assert svg.count('class="limit"') == 2


@pytest.mark.parametrize(
    "case",
    [
        held(100, 100, 100, 0.001), held(1.7e308, 0, 1, 1e300), held(5, -1.7e308, 1.7e308, 1), held(0, 0, 0, 0),
        held(5e-324, 0, 1e-323), held(1, None, 1, 0), held(10**400, 0, 1), held(float("inf"), 0, 1),
    ],
)  # fmt: skip
def test_numbers_at_the_end_of_what_a_float_holds(case: Held) -> None:
    svg = scale_svg(case)
    ElementTree.fromstring(svg)  # noqa: S314 - ours
    assert "nan" not in svg
    assert "inf" not in re.sub("<title>.*?</desc>", "", svg)


@given(st.text(max_size=80), st.text(max_size=20), number)
def test_hostile_limit_text_stays_text(limit: str, unit: str, value: float) -> None:
    svg = scale_svg(replace(held(value, 0, 1, 0.1), limit=limit + "</title></svg><script>", unit=unit))
    assert "<script" not in svg
    assert svg.count("</svg>") == 1


def test_every_part_is_drawn_without_colour() -> None:
    svg = scale_svg(held(100, 90, 110, 1))
    for name in ("beyond", "guard", "accepted", "limit", "whisker", "reading"):
        assert f'class="{name}"' in svg
    assert set(re.findall(r'(?:stroke|fill)="([^"]*)"', svg)) <= {"currentColor", "none"}
