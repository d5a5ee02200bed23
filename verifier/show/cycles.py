"""The cycles of a check as the report shows them: a small drawing, and a line for each that did not pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from verifier.readings import Cycle, Grid, Reading, Verdict
from verifier.show import words
from verifier.show.grid import grid_svg

IN_A_ROW = 20
MOST_TOLD = 12
"""Cycles that get a line; the record holds all of them."""

_SIGNS: dict[Verdict | None, str] = {
    Verdict.PASS: "p",
    Verdict.FAIL: "f",
    Verdict.INCONCLUSIVE: "i",
    Verdict.BENCH_ERROR: "b",
}
_LEGEND = (("p", "passed"), ("f", "failed"), ("i", "could not be decided"), ("b", "spoilt by the bench"))


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclesView:
    drawing: Markup
    lines: tuple[tuple[str, str, str], ...]
    """Of those that did not pass or do not count: which cycle, its verdict, and why."""
    more: int
    """How many of these have no line."""


def cycles_view(cycles: Sequence[Cycle]) -> CyclesView | None:
    """None for a check that has no cycles."""
    if not cycles:
        return None
    counting = [cycle for cycle in cycles if cycle.finding is not None and not cycle.set_aside]
    signs = "".join(_SIGNS.get(cycle.finding.verdict if cycle.finding else None, " ") for cycle in counting)
    first = signs[:IN_A_ROW]
    rows = (first, *(signs[n : n + IN_A_ROW].ljust(IN_A_ROW) for n in range(IN_A_ROW, len(signs), IN_A_ROW)))
    told = [line for cycle in cycles if (line := _line(cycle)) is not None]
    return CyclesView(
        drawing=grid_svg(Reading(name="cycles", value=len(signs), unit="1", grid=Grid(rows=rows, legend=_LEGEND))),
        lines=tuple(told[:MOST_TOLD]),
        more=len(told) - MOST_TOLD if len(told) > MOST_TOLD else 0,
    )


def name_of(cycle: Cycle) -> str:
    """ "cycle 7", "cycle 7 (upright)"."""
    return f"cycle {cycle.number} ({cycle.position})" if cycle.position else f"cycle {cycle.number}"


def _line(cycle: Cycle) -> tuple[str, str, str] | None:
    finding = cycle.finding
    if finding is not None and finding.verdict is Verdict.PASS and not cycle.set_aside:
        return None
    verdict = words.VERDICTS[finding.verdict] if finding else "not finished"
    reasons = (finding.reason if finding else "", cycle.set_aside)
    return name_of(cycle), verdict, words.sentence("; ".join(reason for reason in reasons if reason))


def take_names(cycles: Sequence[Cycle]) -> dict[int, str]:
    """What each take of an attempt is called, by its index; empty for a check without cycles."""
    names: dict[int, str] = {}
    for cycle in cycles:
        for nth in range(cycle.takes):
            which = f".{nth + 1}" if cycle.takes > 1 else ""
            names[cycle.first_take + nth] = (
                f"cycle {cycle.number}{which}{', set aside' if cycle.set_aside else ''}"
            )
    return names
