"""A reading's samples drawn over time, as inline SVG: axes, unit, and the limits where there are any.

Like the limit scale it says nothing by colour: the trace is a heavy line, limits are dashed and named, so that
it reads the same in print, in black and white and with forced colours. Where there are more samples than
can be told apart, each step of the drawing shows the least and the greatest of them: no spike is lost. Where a
model was fitted to them, its curve is dashed, and below stands how far each sample lies off it, on a scale of
its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from verifier.readings import Held, Reading, Series
from verifier.show import numbers, words
from verifier.show.outside import visible

WIDTH, HEIGHT = 320.0, 118.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 46.0, 8.0, 16.0, 24.0
_RESIDUALS = 58.0
"""Height of the strip below that shows what a model leaves over."""
_STEPS = 240
"""Steps of the drawing in time."""
_TICKS = 4


@dataclass(frozen=True, slots=True)
class Frame:
    """What is drawn where."""

    t0: float
    t1: float
    low: float
    high: float
    top: float = _TOP
    bottom: float = HEIGHT - _BOTTOM
    """Heights in the drawing of `high` and `low`."""

    def x(self, t: float) -> float:
        return _LEFT + (WIDTH - _LEFT - _RIGHT) * ((t - self.t0) / (self.t1 - self.t0))

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.bottom - (self.bottom - self.top) * min(max(share, 0.0), 1.0)


def series_svg(reading: Reading, held: Held | None = None) -> Markup:
    """The drawing, titled and described; empty where fewer than two samples are finite numbers.

    The limits of `held` are drawn where it is in the reading's unit and they are near what was measured.
    """
    series = reading.series
    if series is None or not (math.isfinite(series.dt) and series.dt > 0 and math.isfinite(series.t0)):
        return Markup("")
    points = [(series.t0 + n * series.dt, v) for n, v in enumerate(series.values) if math.isfinite(v)]
    if len(points) < 2:
        return Markup("")
    limits = _limits(held, reading, [v for _, v in points])
    model = _model(series)
    frame = _frame([*points, *model], [limit for _, limit in limits])
    if frame is None:
        return Markup("")
    unit = numbers.unit_text(reading.unit)
    height = HEIGHT + (_RESIDUALS if model else 0.0)
    parts = [
        f'<svg class="series" role="img" viewBox="0 0 {WIDTH:g} {height:g}" width="{WIDTH:g}" height="{height:g}"'
        ' fill="none" stroke="currentColor">'
        f"<title>{escape(_title(reading))}</title>"
        f"<desc>{escape(_description(reading, series, points, limits, model))}</desc>"
        '<path class="axes" stroke-width=".8" '
        f'd="M{_LEFT:g} {_TOP - 4:g}V{HEIGHT - _BOTTOM:g}H{WIDTH - _RIGHT:g}"/>'
    ]
    labels = [_text(_LEFT, 9, "end", visible(unit))] if unit else []
    marks = ""
    for value in _nice(frame.low, frame.high, _TICKS):
        y = frame.y(value)
        marks += f"M{_LEFT - 3:g} {_f(y)}h3"
        labels.append(_text(_LEFT - 6, y + 3, "end", _tick(value)))
    for t in _nice(frame.t0, frame.t1, _TICKS):
        x = frame.x(t)
        marks += f"M{_f(x)} {HEIGHT - _BOTTOM:g}v3"
        labels.append(_text(x, HEIGHT - _BOTTOM + 13, "middle", _tick(t)))
    labels.append(_text(WIDTH - _RIGHT, HEIGHT - 1, "end", "seconds"))
    parts.append(f'<path class="axes" stroke-width=".8" d="{marks}"/>')
    for name, limit in limits:
        y = frame.y(limit)
        parts.append(
            '<path class="limit" stroke-width="1" stroke-dasharray="5 3" '
            f'd="M{_LEFT:g} {_f(y)}H{WIDTH - _RIGHT:g}"/>'
        )
        labels.append(_text(WIDTH - _RIGHT, y - 3, "end", f"{name} {numbers.plain(limit)}"))
    trace = "L".join(f"{_f(frame.x(t))} {_f(frame.y(v))}" for t, v in _thinned(points))
    parts.append(f'<path class="trace" stroke-width="1.6" stroke-linejoin="round" d="M{trace}"/>')
    if model:
        curve = "L".join(f"{_f(frame.x(t))} {_f(frame.y(v))}" for t, v in _thinned(model))
        # Two strokes, so that the dashes are seen on the heavy trace too.
        parts.append(f'<path class="ground" stroke="Canvas" stroke-width="1.2" d="M{curve}"/>')
        parts.append(f'<path class="model" stroke-width=".9" stroke-dasharray="3 2.5" d="M{curve}"/>')
        path, more = _residuals(points, model, frame)
        parts.append(path)
        labels += more
    parts.append(f'<g font-size="9" fill="currentColor" stroke="none">{"".join(labels)}</g></svg>')
    return Markup("".join(parts))  # noqa: S704 - numbers of ours, and text escaped above


def _model(series: Series) -> list[tuple[float, float]]:
    if len(series.model) != len(series.values) or not all(map(math.isfinite, (*series.model, *series.values))):
        return []
    return [(series.t0 + n * series.dt, v) for n, v in enumerate(series.model)]


def _off(points: Sequence[tuple[float, float]], model: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    return [(t, value - fitted) for (t, value), (_, fitted) in zip(points, model, strict=True)]


def _residuals(
    points: Sequence[tuple[float, float]], model: Sequence[tuple[float, float]], above: Frame
) -> tuple[str, list[str]]:
    """The strip below: how far the samples lie off the model, about a line at 0."""
    off = _off(points, model)
    most = max((abs(v) for _, v in off), default=0.0) * 1.1 or 1.0
    frame = Frame(above.t0, above.t1, -most, most, top=HEIGHT + 8, bottom=HEIGHT + _RESIDUALS - 6)
    ticks = [v for v in (-_rounded(most), _rounded(most)) if v]
    left = WIDTH - _RIGHT - _LEFT
    zero = frame.y(0.0)
    axes = f"M{_LEFT:g} {_f(frame.top)}V{_f(frame.bottom)}M{_LEFT:g} {_f(zero)}h{_f(left)}"
    axes += "".join(f"M{_LEFT - 3:g} {_f(frame.y(v))}h3" for v in ticks)
    trace = "L".join(f"{_f(frame.x(t))} {_f(frame.y(v))}" for t, v in _thinned(off))
    path = (
        f'<path class="axes" stroke-width=".8" d="{axes}"/>'
        f'<path class="residuals" stroke-width=".8" stroke-linejoin="round" d="M{trace}"/>'
    )
    labels = [_text(_LEFT - 6, frame.y(v) + 3, "end", _tick(v)) for v in ticks]
    labels += [_text(_LEFT - 6, zero + 3, "end", "0"), _text(_LEFT + 4, frame.top + 1, "start", "off the fit")]
    return path, labels


def _rounded(most: float) -> float:
    """The greatest of 1, 2 or 5 times a power of ten that is not above it; 0 where there is none."""
    power = 10.0 ** math.floor(math.log10(most)) if 0 < most < math.inf else 0.0
    return next((m * power for m in (5, 2, 1) if m * power <= most), 0.0)


def _limits(held: Held | None, reading: Reading, values: Sequence[float]) -> list[tuple[str, float]]:
    """A limit far from everything measured would flatten the trace to a line: it is left to the words."""
    if held is None or held.unit != reading.unit:
        return []
    low, high = min(values), max(values)
    room = max(3 * (high - low), 0.5 * max(abs(low), abs(high)), 1e-12)
    ends = (("at least", held.lower), ("at most", held.upper))
    return [(name, end) for name, end in ends if end is not None and low - room <= end <= high + room]


def _frame(points: Sequence[tuple[float, float]], limits: Sequence[float]) -> Frame | None:
    values = [*(v for _, v in points), *limits]
    low, high = min(values), max(values)
    margin = (high - low) * 0.06 or abs(high) * 0.05 or 1.0
    frame = Frame(points[0][0], points[-1][0], low - margin, high + margin)
    spans = (frame.t1 - frame.t0, frame.high - frame.low)
    return frame if all(0 < span < math.inf for span in spans) else None


def _thinned(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """At most two points a step: the least and the greatest, in the order they came."""
    if len(points) <= 2 * _STEPS:
        return list(points)
    kept: list[tuple[float, float]] = []
    size = len(points) / _STEPS
    for step in range(_STEPS):
        bucket = points[int(step * size) : int((step + 1) * size)]
        least, greatest = min(bucket, key=lambda p: p[1]), max(bucket, key=lambda p: p[1])
        kept += sorted({least, greatest})
    return sorted({points[0], *kept, points[-1]})


def _nice(low: float, high: float, most: int) -> list[float]:
    """Round numbers between low and high, at most `most` + 1 of them: steps of 1, 2 or 5 times a power of ten."""
    raw = (high - low) / most
    power = 10.0 ** math.floor(math.log10(raw)) if raw > 0 else 0.0
    step = next((m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999), 0.0)
    if not (0 < step < math.inf) or step < abs(high) * 1e-12:
        return []
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, first + most + 2) if n * step <= high + step * 1e-9]


def _text(x: float, y: float, anchor: str, text: str) -> str:
    return f'<text x="{_f(x)}" y="{_f(y)}" text-anchor="{anchor}">{escape(text)}</text>'


def _tick(value: float) -> str:
    return numbers.plain(float(f"{value:.6g}"))


def _f(x: float) -> str:
    return f"{x:.1f}".removesuffix(".0")


def _title(reading: Reading) -> str:
    return visible(f"{reading.name} over time")


def _description(
    reading: Reading,
    series: Series,
    points: Sequence[tuple[float, float]],
    limits: Sequence[tuple[str, float]],
    model: Sequence[tuple[float, float]],
) -> str:
    def quantity(value: float) -> str:
        return numbers.with_unit(_tick(value), reading.unit)

    low, high = min(points, key=lambda p: p[1]), max(points, key=lambda p: p[1])
    said = (
        f"{len(series.values)} samples over {words.duration(points[-1][0] - points[0][0])}: from "
        f"{quantity(points[0][1])} to {quantity(points[-1][1])}, least {quantity(low[1])}, "
        f"greatest {quantity(high[1])}."
    )
    for name, limit in limits:
        said += f" Limit: {name} {quantity(limit)}."
    if model:
        worst = max(abs(v) for _, v in _off(points, model))
        said += f" A model was fitted; no sample lies more than {quantity(float(f'{worst:.2g}'))} off it."
    return visible(said)
