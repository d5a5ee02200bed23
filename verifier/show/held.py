"""One reading against one limit, worked out for the template: rounded, with its scale and its budget."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup

from verifier.readings import Held
from verifier.show import numbers, words
from verifier.show.scale import scale_svg


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of an uncertainty budget."""

    basis: str
    note: str
    u: str
    shape: str
    dof: str
    share: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldView:
    """One reading against one limit."""

    reading: str
    verdict: str
    value: str | None
    """None where there was no reading."""
    at_least: bool
    """Whether the true value is at least this one: the reading was broken off."""
    is_text: bool
    expanded: str
    """The expanded uncertainty; empty where none is known."""
    power: str
    unit: str
    unit_gap: str
    expressed: str
    """How the uncertainty is expressed, or why there is none."""
    limit: str
    source: str
    reason: str
    notes: tuple[str, ...]
    remark: str
    """What whoever took the reading says beside it."""
    scale: Markup
    facts: tuple[tuple[str, str], ...]
    budget: tuple[Line, ...]
    label: str
    """What it is called outside its own row: check and reading."""


def held_view(held: Held, label: str, reason: str) -> HeldView:
    """`label` is what it is called outside its own row, `reason` what to say beside it."""
    number = numbers.finite(held.value)
    expanded, k = _expanded(held)
    value: str | None = None if held.value is None else numbers.value_text(held.value)
    plus_minus = power = ""
    if number is not None and expanded:
        rounded = numbers.measured(number, expanded)
        value, plus_minus, power = rounded.value, rounded.uncertainty, rounded.power
    is_number = held.value is not None and not isinstance(held.value, bool | str)
    unit = numbers.unit_text(held.unit) if is_number else ""
    return HeldView(
        reading=held.reading,
        verdict=held.verdict.value,
        value=value,
        at_least=held.at_least,
        is_text=isinstance(held.value, str),
        expanded=plus_minus,
        power=power,
        unit=unit,
        unit_gap="" if unit == "°" else numbers.THIN,
        expressed=_expressed(held, k, is_number),
        limit=words.limit_words(held),
        source=held.source,
        reason=words.sentence(words.capital(reason)),
        notes=_notes(held),
        remark=words.sentence(words.capital(held.remark)) if held.remark not in held.reason else "",
        scale=scale_svg(held),
        facts=_facts(held, k),
        budget=tuple(_budget(held)),
        label=label,
    )


def _expanded(held: Held) -> tuple[float, float | None]:
    """Half the 95 % interval, and the coverage factor k = U/u (JCGM 100, 6.2.1); 0 where nothing is known."""
    if held.interval is None:
        return 0.0, None
    half = (held.interval[1] - held.interval[0]) / 2
    if not 0 < half < math.inf:
        return 0.0, None
    return half, half / held.u if held.u else None


def _expressed(held: Held, k: float | None, is_number: bool) -> str:
    if not is_number:
        return ""
    if k is not None:
        return f"k{numbers.THIN}={numbers.THIN}{numbers.fixed(k, 2)}, 95{numbers.THIN}%"
    if held.interval is not None:
        return f"95{numbers.THIN}%"
    if held.rule == "exact":
        return ""
    return "uncertainty not known" if held.u is None else ""


def _notes(held: Held) -> tuple[str, ...]:
    notes = []
    if held.readings_pooled > 1:
        notes.append(f"pooled from {held.readings_pooled} readings")
    if not held.repeatability_evaluated:
        notes.append("repeatability not evaluated")
    if held.accept_none:
        notes.append("no value could pass with this uncertainty")
    return tuple(notes)


def _facts(held: Held, k: float | None) -> tuple[tuple[str, str], ...]:
    """What the decision rests on, in the symbols of JCGM 100 and JCGM 106."""
    if held.u is None or held.rule == "exact":
        return ()
    unit = held.unit

    def quantity(x: float) -> str:
        sign = numbers.MINUS if x < 0 else ""
        return numbers.with_unit(sign + numbers.uncertainty_text(abs(x)), unit)

    facts = [("u", quantity(held.u))]
    if held.looks > 1:
        facts.append(("looks", f"{held.looks}, which share the risk"))
    if held.distribution != "none":
        facts.append(("distribution", words.distribution_words(held)))
    if k is not None:
        facts.append(("k", numbers.fixed(k, 2)))
    if held.conformance is not None:
        facts.append(("chance inside the limits", numbers.probability(held.conformance)))
    if held.margin is not None:
        facts.append(("margin", quantity(held.margin)))
    if held.guard_band is not None:
        facts.append(("guard band", quantity(held.guard_band)))
    if held.rule == "guarded" and not held.accept_none:
        ends = [
            f"{word} {_acceptance(end, held)}"
            for word, end in (("from", held.accept_from), ("up to", held.accept_to))
            if end is not None
        ]
        if ends:
            facts.append(("accepted", " ".join(ends)))
    return tuple(facts)


def _acceptance(end: float, held: Held) -> str:
    text = numbers.measured(end, held.u).value if held.u else numbers.plain(end)
    power = numbers.measured(end, held.u).power if held.u else ""
    return numbers.with_unit(f"{text}{numbers.THIN}{power}" if power else text, held.unit)


def _budget(held: Held) -> Iterable[Line]:
    combined = math.hypot(*(c.u for c in held.budget))
    for c in held.budget:
        yield Line(
            basis=words.basis_words(c),
            note=c.note,
            u=numbers.with_unit(numbers.uncertainty_text(c.u), held.unit),
            shape=words.shape_words(c.shape),
            dof="∞" if c.dof is None else numbers.plain(float(f"{c.dof:.3g}")),
            share=numbers.percent(round((c.u / combined) ** 2, 2)) if 0 < combined < math.inf else "",
        )
