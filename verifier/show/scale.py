"""The limit scale: one reading drawn against its limits, as inline SVG.

From left to right runs the quantity. A wedge from above is the reading, the whisker beside it its
95 % interval. Limits are ticked and numbered; beyond them the track is hatched, between limit and
acceptance limit it is dotted (the guard band), and where a reading is accepted it is a heavy line.
Nothing is said by colour, so it reads the same in print, in black and white and with forced colours:
all lines are `currentColor`, and the hatch is drawn line by line because backgrounds may not print.

A one-sided limit stands at a fixed place, with more room on the reading's side, scaled to the distance
and the uncertainty: a reading far from trouble stands far from the tick, whatever the quantity. A
reading that would not fit points off the edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup, escape

from verifier.readings import Held
from verifier.show import numbers
from verifier.show.outside import visible

WIDTH, HEIGHT = 190.0, 44.0
_EDGE = 5.0
"""Empty room at either end, for off-scale arrows and half labels."""
_WEDGE_Y, _TRACK_Y, _LABEL_Y = 11.0, 25.0, 40.5
_LIMIT_AT = 0.36
"""Where a one-sided limit stands, as a share of the width from the side without the reading."""
_ROOM = 0.24
"""Share of the width beyond each of two limits while the reading is near them."""
_LABEL_DIGIT = 5.4
"""Width of a digit of the labels, in drawing units."""


@dataclass(frozen=True, slots=True)
class Axis:
    """Where values stand on the drawing. Positions are in drawing units, clamped to the drawn range."""

    low: float
    high: float

    def at(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return _EDGE + (WIDTH - 2 * _EDGE) * min(max(share, 0.0), 1.0)

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high


@dataclass(frozen=True, slots=True)
class Geometry:
    """What is drawn where: all positions from left to right in drawing units."""

    axis: Axis
    limits: tuple[float, ...]
    """Ticks of the limits, in order."""
    accepted: tuple[float, float] | None
    """Ends of the heavy line; None when nothing can be accepted."""
    guard: tuple[tuple[float, float], ...]
    """Dotted stretches."""
    beyond: tuple[tuple[float, float], ...]
    """Hatched stretches."""
    reading: float | None
    """Point of the wedge; None when there is no number."""
    off_scale: int
    """−1 or 1 where the reading lies off the left or right edge, else 0."""
    whisker: tuple[float, float] | None
    open_ends: tuple[bool, bool]
    """Where the whisker goes on past the edge."""


def _number(held: Held) -> float | None:
    value = held.value
    if isinstance(value, bool | str) or value is None:
        return None
    try:
        number = float(value)
    except OverflowError:
        return math.inf if value > 0 else -math.inf
    return None if math.isnan(number) else number


def _axis(held: Held, value: float | None) -> Axis:
    lower, upper = held.lower, held.upper
    half = (
        max((abs(end - value) for end in held.interval), default=0.0)
        if held.interval and value is not None
        else 0.0
    )
    half = half if math.isfinite(half) else 0.0
    if lower is not None and upper is not None:
        low, high = _two_sided(lower, upper, value)
    else:
        limit = upper if upper is not None else lower
        assert limit is not None  # noqa: S101 - geometry() draws only where there is a limit
        distance = abs(value - limit) if value is not None and math.isfinite(value) else 0.0
        reach = max(1.25 * distance, 3.5 * half, 2.2 * (held.guard_band or 0.0)) or abs(limit) * 0.2 or 1.0
        reading_above = value > limit if value is not None and value != limit else upper is None
        scale = reach / (1 - _LIMIT_AT)
        other = scale * _LIMIT_AT
        low, high = (limit - other, limit + reach) if reading_above else (limit - reach, limit + other)
    if not (math.isfinite(low) and math.isfinite(high)) or not high > low:
        # Values at the end of what a float holds, or so close that it cannot part them.
        middle = lower if lower is not None else upper if upper is not None else 0.0
        step = max(abs(middle) * 0.2, 1e-300)
        low, high = middle - step, middle + step
        if not (math.isfinite(low) and math.isfinite(high)):
            low, high = -1.7e308 / 2, 1.7e308 / 2
    return Axis(low, high)


def _two_sided(lower: float, upper: float, value: float | None) -> tuple[float, float]:
    tolerance = upper - lower
    if tolerance == 0:
        distance = abs(value - lower) if value is not None and math.isfinite(value) else 0.0
        reach = 1.3 * distance or abs(lower) * 0.2 or 1.0
        return lower - reach, upper + reach
    room = tolerance * _ROOM / (1 - 2 * _ROOM)
    low, high = lower - room, upper + room
    if value is not None and math.isfinite(value):
        # A reading not far outside is worth a longer scale; one far outside would flatten the limits to a point.
        if lower - 1.5 * tolerance <= value < low + 0.3 * room:
            low = value - 0.5 * room
        elif high - 0.3 * room < value <= upper + 1.5 * tolerance:
            high = value + 0.5 * room
    return low, high


def geometry(held: Held) -> Geometry | None:
    """Where everything stands; None where there is no numeric limit to draw."""
    lower, upper = held.lower, held.upper
    if lower is None and upper is None:
        return None
    value = _number(held)
    axis = _axis(held, value)
    left, right = axis.at(axis.low), axis.at(axis.high)
    from_, to = left if lower is None else axis.at(lower), right if upper is None else axis.at(upper)
    beyond = tuple(
        stretch for stretch, real in (((left, from_), lower is not None), ((to, right), upper is not None)) if real
    )
    accepted: tuple[float, float] | None
    guard: list[tuple[float, float]] = []
    if held.accept_none:
        accepted, guard = None, [(from_, to)]
    else:
        start = from_ if lower is None or held.accept_from is None else max(from_, axis.at(held.accept_from))
        end = to if upper is None or held.accept_to is None else min(to, axis.at(held.accept_to))
        accepted = (min(start, end), max(start, end))
        guard = [(a, b) for a, b in ((from_, accepted[0]), (accepted[1], to)) if b > a]
    off = 0 if value is None or axis.holds(value) else (1 if value > axis.high else -1)
    whisker, open_ends = None, (False, False)
    if held.interval is not None and value is not None and off == 0:
        whisker = (axis.at(held.interval[0]), axis.at(held.interval[1]))
        open_ends = (held.interval[0] < axis.low, held.interval[1] > axis.high)
    return Geometry(
        axis=axis,
        limits=tuple(axis.at(limit) for limit in (lower, upper) if limit is not None),
        accepted=accepted,
        guard=tuple(guard),
        beyond=beyond,
        reading=None if value is None else axis.at(value),
        off_scale=off,
        whisker=whisker,
        open_ends=open_ends,
    )


def scale_svg(held: Held) -> Markup:
    """The drawing of one reading against its limits, titled and described; empty without numeric limits."""
    g = geometry(held)
    if g is None:
        return Markup("")
    parts = [
        f'<svg class="scale" role="img" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" width="{WIDTH:g}" height="{HEIGHT:g}"'
        ' fill="none" stroke="currentColor">'
        f"<title>{escape(_title(held))}</title><desc>{escape(_description(held))}</desc>"
    ]
    parts += [_hatch(*stretch) for stretch in g.beyond]
    parts += [
        f'<path class="guard" stroke-width="1.6" stroke-dasharray="1.6 2.4" d="M{_f(a)} {_TRACK_Y:g}H{_f(b)}"/>'
        for a, b in g.guard
    ]
    if g.accepted and g.accepted[1] > g.accepted[0]:
        a, b = g.accepted
        parts.append(f'<path class="accepted" stroke-width="3.4" d="M{_f(a)} {_TRACK_Y:g}H{_f(b)}"/>')
    parts += [f'<path class="limit" stroke-width="1.4" d="M{_f(x)} {_TRACK_Y - 7:g}v14"/>' for x in g.limits]
    parts.append(_labels(held, g))
    parts.append(_reading(g))
    parts.append("</svg>")
    return Markup("".join(parts))  # noqa: S704 - numbers of ours, and text escaped above


def _f(x: float) -> str:
    return f"{x:.1f}".removesuffix(".0")


def _hatch(left: float, right: float) -> str:
    """Slanting lines over a stretch of the track, each cut at the ends of the stretch."""
    if right - left < 1:
        return ""
    top, bottom, height = _TRACK_Y - 4.5, _TRACK_Y + 4.5, 9.0
    lines = []
    x = left - height + 2.0
    while x < right:
        # From (x, bottom) up to (x + height, top).
        a, b = max(x, left), min(x + height, right)
        if b - a > 0.5:
            lines.append(f"M{_f(a)} {_f(bottom - (a - x))}L{_f(b)} {_f(top + (x + height - b))}")
        x += 4.5
    return f'<path class="beyond" stroke-width="1" stroke-opacity=".62" d="{"".join(lines)}"/>'


def _labels(held: Held, g: Geometry) -> str:
    limits = [limit for limit in (held.lower, held.upper) if limit is not None]
    if len(limits) == 2 and limits[0] == limits[1]:
        limits.pop()
    texts = [numbers.plain(limit) for limit in limits]
    widths = [len(text) * _LABEL_DIGIT for text in texts]
    centres = list(g.limits[: len(texts)])
    if len(texts) == 2 and (gap := (widths[0] + widths[1]) / 2 + 5) > centres[1] - centres[0]:
        # Two labels that would run into each other move apart by the same amount.
        shift = (gap - (centres[1] - centres[0])) / 2
        centres = [centres[0] - shift, centres[1] + shift]
    out = []
    for text, width, centre in zip(texts, widths, centres, strict=True):
        x = min(max(centre, width / 2), WIDTH - width / 2)
        out.append(f'<text x="{_f(x)}" y="{_LABEL_Y:g}">{escape(text)}</text>')
    return f'<g font-size="9" text-anchor="middle" fill="currentColor" stroke="none">{"".join(out)}</g>'


def _reading(g: Geometry) -> str:
    if g.reading is None:
        return ""
    y = _WEDGE_Y
    if g.off_scale:
        tip, s = (WIDTH - 1.0, -1) if g.off_scale > 0 else (1.0, 1)
        head = f"M{_f(tip)} {y:g}l{9 * s} -5v10z"
        tail = f"M{_f(tip + 9 * s)} {y:g}h{9 * s}"
        return (
            f'<path class="reading off" fill="currentColor" stroke="none" d="{head}"/>'
            f'<path class="reading off" stroke-width="1.6" stroke-dasharray="3 2" d="{tail}"/>'
        )
    out = ""
    if g.whisker is not None:
        a, b = g.whisker
        line = f"M{_f(a)} {y:g}H{_f(b)}"
        for x, open_, s in ((a, g.open_ends[0], 1), (b, g.open_ends[1], -1)):
            # A cap where the interval ends; an arrow head where it goes on past the edge.
            line += (
                f"M{_f(x + 4 * s)} {y - 3.5:g}l{-4 * s} 3.5l{4 * s} 3.5" if open_ else f"M{_f(x)} {y - 3.5:g}v7"
            )
        out = f'<path class="whisker" stroke-width="1.3" d="{line}"/>'
    x = g.reading
    return out + (f'<path class="reading" fill="currentColor" stroke="none" d="M{_f(x)} {y + 6:g}l-5 -11.5h10z"/>')


def _title(held: Held) -> str:
    what = "no reading" if held.value is None else numbers.value_text(held.value, held.unit)
    return visible(f"{what} against {held.limit}")


def _description(held: Held) -> str:
    """What a person sees in the drawing, in words."""
    said = []
    g = geometry(held)
    value = _number(held)
    if g is not None and value is not None:
        inside = (held.lower is None or value >= held.lower) and (held.upper is None or value <= held.upper)
        said.append("The reading lies inside the limits." if inside else "The reading lies outside the limits.")
        if g.off_scale:
            said.append("It is off the drawn scale.")
    if held.interval is not None:
        low, high = (numbers.plain(float(f"{end:.4g}")) for end in held.interval)
        said.append(f"95 % interval {low} to {numbers.with_unit(high, held.unit)}.")
    if held.accept_none:
        said.append("No value could be accepted with this uncertainty.")
    else:
        ends = [
            f"{word} {numbers.with_unit(numbers.plain(float(f'{end:.4g}')), held.unit)}"
            for word, end in (("from", held.accept_from), ("up to", held.accept_to))
            if end is not None
        ]
        if ends:
            said.append(f"Accepted {' '.join(ends)}.")
    return visible(" ".join(said))
