"""What was found at each cell of an area, as inline SVG with its key.

Like the other drawings it says nothing by colour: each kind of cell has a shape of its own, and what is as it
should be is the quietest of them, so that the eye finds the rest.
"""

from __future__ import annotations

from markupsafe import Markup, escape

from verifier.readings import Grid, Reading
from verifier.show.outside import visible

WIDTH = 320.0
_KEY_LINE = 14.0
_SMALLEST, _LARGEST = 2.0, 14.0


def grid_svg(reading: Reading) -> Markup:
    """The drawing, titled and described; empty where there are no cells."""
    grid = reading.grid
    if grid is None or not grid.rows or not grid.rows[0] or not grid.legend:
        return Markup("")
    size = max(_SMALLEST, min(_LARGEST, WIDTH / len(grid.rows[0])))
    counts = {sign: sum(row.count(sign) for row in grid.rows) for sign, _ in grid.legend}
    shown = [(number, sign, said) for number, (sign, said) in enumerate(grid.legend) if counts[sign] or not number]
    top = size * len(grid.rows) + 6
    height = top + _KEY_LINE * len(shown)
    width = max(WIDTH, size * len(grid.rows[0]))
    parts = [
        f'<svg class="series" role="img" viewBox="-1 -1 {_f(width + 2)} {_f(height + 2)}" width="{_f(width)}"'
        f' height="{_f(height)}" fill="none" stroke="currentColor">'
        f"<title>{escape(visible(f'{reading.name}, cell by cell'))}</title>"
        f"<desc>{escape(_description(grid, counts))}</desc>"
        f'<rect stroke-width=".8" width="{_f(size * len(grid.rows[0]))}" height="{_f(size * len(grid.rows))}"/>'
    ]
    for number, sign, _ in shown:
        path = "".join(
            _shape(number, size * column, size * line, size)
            for line, row in enumerate(grid.rows)
            for column, here in enumerate(row)
            if here == sign
        )
        parts.append(f'<path stroke-width="{_weight(number)}" d="{path}"/>' if path else "")
    for line, (number, sign, said) in enumerate(shown):
        y = top + _KEY_LINE * line
        parts.append(
            f'<path stroke-width="{_weight(number)}" d="{_shape(number, 0, y, 10)}"/>'
            f'<text x="16" y="{_f(y + 9)}" font-size="10" fill="currentColor" stroke="none">'
            f"{escape(visible(said))}: {counts[sign]}</text>"
        )
    parts.append("</svg>")
    return Markup("".join(parts))  # noqa: S704 - numbers of ours, and text escaped above


def _shape(number: int, x: float, y: float, size: float) -> str:
    """One cell as part of a path: a dot, a crossed box, a diamond, an upright cross, and so on again."""
    middle_x, middle_y, half = x + size / 2, y + size / 2, size * 0.4
    left, top, side = x + size * 0.1, y + size * 0.1, size * 0.8
    match number % 4:
        case 0:
            return f"M{_f(middle_x - 0.5)} {_f(middle_y)}h1"
        case 1:
            return (
                f"M{_f(left)} {_f(top)}h{_f(side)}v{_f(side)}h{_f(-side)}z"
                f"l{_f(side)} {_f(side)}m0 {_f(-side)}l{_f(-side)} {_f(side)}"
            )
        case 2:
            return (
                f"M{_f(middle_x)} {_f(middle_y - half)}l{_f(half)} {_f(half)}l{_f(-half)} {_f(half)}"
                f"l{_f(-half)} {_f(-half)}z"
            )
    return f"M{_f(middle_x - half)} {_f(middle_y)}h{_f(2 * half)}m{_f(-half)} {_f(-half)}v{_f(2 * half)}"


def _weight(number: int) -> str:
    return "1.6" if number else "1"


def _description(grid: Grid, counts: dict[str, int]) -> str:
    said = f"{len(grid.rows[0])} columns and {len(grid.rows)} rows. "
    said += ", ".join(f"{words}: {counts[sign]}" for sign, words in grid.legend) + "."
    for sign, words in grid.legend[1:]:
        where = [
            f"column {column} row {line}"
            for line, row in enumerate(grid.rows, 1)
            for column, here in enumerate(row, 1)
            if here == sign
        ]
        if where:
            more = f" and {len(where) - 12} more" if len(where) > 12 else ""
            said += f" {words}, from the top left: {'; '.join(where[:12])}{more}."
    return visible(said)


def _f(x: float) -> str:
    return f"{x:.1f}".removesuffix(".0")
