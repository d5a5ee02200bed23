from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from verifier.readings import Reading, Series
from verifier.show.series import HEIGHT, WIDTH, series_svg


def reading(values: tuple[float, ...], *, t0: float = 0.0, dt: float = 1.0, unit: str = "K") -> Reading:
    return Reading(
        name="rise", value=values[-1] if values else 0, unit=unit, series=Series(t0=t0, dt=dt, values=values)
    )


def parts(svg: str) -> tuple[dict[str, list[Any]], list[str]]:
    root = etree.fromstring(svg)
    paths: dict[str, list[Any]] = {}
    for path in root.iter("path"):
        paths.setdefault(path.get("class"), []).append(path)
    return paths, [text.text for text in root.iter("text")]


def points(path: Any) -> list[tuple[float, float]]:
    numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", path.get("d"))]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def test_it_rises_from_left_to_right_and_upwards() -> None:
    paths, _ = parts(series_svg(reading((0.0, 10.0, 20.0))))
    (a, b, c) = points(paths["trace"][0])
    assert a[0] < b[0] < c[0]
    assert a[1] > b[1] > c[1]


def test_the_limit_is_drawn_and_named_where_it_is_near_and_in_the_same_unit(sample: Any) -> None:
    held = sample.held("rise", 20.0, 0.5, "K", high=25)
    paths, texts = parts(series_svg(reading((0.0, 10.0, 20.0)), held))
    assert len(paths["limit"]) == 1
    assert "at most 25" in texts
    for other in (replace(held, unit="Cel"), replace(held, upper=1e6)):
        paths, texts = parts(series_svg(reading((0.0, 10.0, 20.0)), other))
        assert "limit" not in paths


def test_axes_carry_unit_and_time() -> None:
    _, texts = parts(series_svg(reading((0.0, 10.0, 20.0), dt=60.0, unit="Cel")))
    assert "°C" in texts
    assert "seconds" in texts
    assert {"0", "10", "20"} <= set(texts)
    assert {"50", "100"} <= set(texts)


def test_it_says_in_words_what_it_shows() -> None:
    root = etree.fromstring(series_svg(reading((0.0, 30.0, 20.0), dt=10.0)))
    assert root.get("role") == "img"
    assert root.findtext("title") == "rise over time"
    assert (
        root.findtext("desc").replace("\u202f", " ")
        == "3 samples over 20 s: from 0 K to 20 K, least 0 K, greatest 30 K."
    )


def test_no_spike_among_many_samples_is_lost() -> None:
    values = [20.0] * 20_000
    values[7_777] = 60.0
    values[15_000] = -5.0
    svg = series_svg(reading(tuple(values)))
    assert len(svg) < 12_000
    heights = [y for _, y in points(parts(svg)[0]["trace"][0])]
    assert min(heights) < 25
    assert max(heights) > HEIGHT - 35


@pytest.mark.parametrize(
    "bad",
    [
        reading(()),
        reading((1.0,)),
        reading((1.0, math.nan)),
        reading((1.0, 2.0), dt=0.0),
        reading((1.0, 2.0), dt=math.inf),
        Reading(name="x", value=1),
    ],
)
def test_nothing_is_drawn_where_there_is_nothing_to_draw(bad: Reading) -> None:
    assert series_svg(bad) == ""


@given(
    values=st.lists(st.floats(), max_size=60).map(tuple),
    t0=st.floats(-1e9, 1e9),
    dt=st.floats(),
    unit=st.sampled_from(["K", "", "1", "</svg>"]),
    high=st.none() | st.floats(allow_nan=False),
)
def test_any_samples_give_a_drawing_within_its_frame_or_none(
    values: tuple[float, ...], t0: float, dt: float, unit: str, high: float | None, sample: Any
) -> None:
    held = replace(sample.held("rise", 1.0, 0.5, unit, high=1.0), upper=high)
    svg = series_svg(reading(values, t0=t0, dt=dt, unit=unit), held)
    if svg:
        assert "nan" not in svg
        for path in parts(svg)[0]["trace"]:
            for x, y in points(path):
                assert 0 <= x <= WIDTH
                assert 0 <= y <= HEIGHT


def test_a_fitted_model_is_drawn_beside_the_samples_and_what_it_leaves_below_them() -> None:
    plain = reading((0.0, 10.0, 20.0, 26.0))
    assert plain.series is not None
    fitted = replace(plain, series=replace(plain.series, model=(1.0, 10.0, 19.0, 26.0)))
    paths, texts = parts(series_svg(fitted))
    samples, model, off = (points(paths[kind][0]) for kind in ("trace", "model", "residuals"))
    assert [x for x, _ in samples] == [x for x, _ in model] == [x for x, _ in off]
    assert model[0][1] < samples[0][1]  # the model begins above the first sample
    # Below the samples: the first lies under the line at 0, the third above it.
    assert min(y for _, y in off) > HEIGHT
    assert off[0][1] > off[1][1] > off[2][1]
    assert off[1][1] == off[3][1]
    assert "off the fit" in texts
    # Round numbers on either side, however far the samples lie off.
    assert {"1", "−1"} <= set(texts)
    far = replace(plain, series=replace(plain.series, model=(0.7, 10.0, 19.3, 26.0)))
    assert {"0.5", "−0.5"} <= set(parts(series_svg(far))[1])
    root = etree.fromstring(series_svg(fitted))
    assert "no sample lies more than 1 K off it" in root.findtext("desc").replace("\u202f", " ")


@pytest.mark.parametrize("model", [(1.0, 2.0), (1.0, math.nan, 3.0)])
def test_a_model_that_does_not_fit_the_samples_in_number_is_not_drawn(model: tuple[float, ...]) -> None:
    plain = reading((0.0, 10.0, 20.0))
    assert plain.series is not None
    odd = replace(plain, series=replace(plain.series, model=model))
    assert series_svg(odd) == series_svg(plain)
