"""A value on its way to a limit: measured or computed, once or many times, with its budget."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from verifier.declare import expressions, units
from verifier.declare.levels import mean_level
from verifier.declare.suite import Check
from verifier.judge import uncertainty
from verifier.readings import PLAIN, Basis, Conditions, Contribution, Reading, Value


class Unusable(Exception):
    """Why a reading cannot be judged, as a sentence; the bench is to blame, never the unit."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One value with its unit and budget."""

    name: str
    value: Value
    unit: str
    budget: tuple[Contribution, ...] = ()
    exact: bool = False
    """True for counts and states, and for what is computed from nothing else."""
    takes: int = 1
    """How many takes it pools."""
    conditions: Conditions = PLAIN
    """Under which conditions it came about; of several values, what bears on any of them."""

    @property
    def number(self) -> float:
        """The value as a finite number; raises Unusable for everything else."""
        if isinstance(self.value, bool) or not isinstance(self.value, (int, float)):
            what = "yes or no" if isinstance(self.value, bool) else "a text"
            raise Unusable(f"{self.name} is {what} where a number was expected")
        try:
            number = float(self.value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise Unusable(f"{self.name} is no finite number")
        return number


def measured(check: Check, take: Sequence[Reading]) -> dict[str, Measured]:
    """The readings of one take with the author's statements, and what `compute` makes of them.

    A computed reading whose inputs are missing is missing too. Raises Unusable for a reading given twice,
    a unit that fits nowhere and an expression without a finite result.
    """
    found: dict[str, Measured] = {}
    for reading in take:
        if reading.name in found:
            raise Unusable(f"{reading.name} was given twice in one take")
        if reading.unit:
            try:
                units.parse(reading.unit)
            except ValueError as error:
                raise Unusable(f"{reading.name}: {error}") from None
        budget = reading.contributions
        if check.uncertainty and not isinstance(reading.value, (bool, str)):
            budget += _stated(check, reading.name, reading.unit or "1")
        exact = reading.exact or isinstance(reading.value, (bool, str))
        found[reading.name] = Measured(
            reading.name,
            reading.value,
            reading.unit,
            budget,
            exact and not budget,
            conditions=reading.conditions,
        )
    inputs = dict(found)
    sensitivities: dict[str, Mapping[str, float]] = {name: {name: 1.0} for name in inputs}
    for name, text in check.compute.items():
        try:
            expression = expressions.parse(text)
        except ValueError as error:
            raise Unusable(f"{name} cannot be computed: {error}") from None
        if all(n in found for n in expression.names):
            found[name] = _computed(check, name, expression, found, inputs, sensitivities)
    return found


def _stated(check: Check, name: str, unit: str) -> tuple[Contribution, ...]:
    try:
        return uncertainty.stated(check.uncertainty, name, unit)
    except ValueError as error:
        raise Unusable(f"the stated uncertainty of {name} does not fit: {error}") from None


def _computed(
    check: Check,
    name: str,
    expression: expressions.Expression,
    found: Mapping[str, Measured],
    inputs: dict[str, Measured],
    sensitivities: dict[str, Mapping[str, float]],
) -> Measured:
    """The law of propagation for independent inputs: u_c² = Σ (∂f/∂x_i)² u²(x_i) (JCGM 100, 5.1.2 eq. 10).

    First order, as the GUM's; what `min`, `max` and `abs` do at their corners is in `expressions`. Computed
    readings that use computed readings are led back to what was measured, so that an input which enters
    twice counts with the sum of its sensitivities. Adds to `inputs` and `sensitivities` for those that follow.
    """
    used = {n: found[n] for n in expression.names}
    try:
        linear = expression.linear(
            {n: m.number for n, m in used.items()},
            {n: m.unit or "1" for n, m in used.items()},
            {n: uncertainty.combine(m.budget).u or 0.0 for n, m in used.items()},
        )
    except ValueError as error:
        raise Unusable(f"{name} cannot be computed: {error}") from None
    of_inputs: dict[str, float] = {}
    for n, c in linear.sensitivities.items():
        for source, d in sensitivities[n].items():
            of_inputs[source] = of_inputs.get(source, 0.0) + c * d
    own = _stated(check, name, linear.unit)
    budget = [
        line for source, c in of_inputs.items() for line in uncertainty.carried(inputs[source].budget, c, source)
    ]
    exact = all(m.exact for m in used.values()) and not own
    value: Value = int(linear.value) if exact and linear.value.is_integer() else linear.value
    inputs[name] = Measured(name, value, linear.unit, own)
    sensitivities[name] = {**of_inputs, name: 1.0}
    conditions = together([m.conditions for m in used.values()])
    if conditions.at_least:  # whether less or more of it makes more of the result is not known here
        conditions = replace(conditions, at_least=False, doubt="computed from a value that was broken off")
    return Measured(name, value, linear.unit, (*budget, *own), exact, conditions=conditions)


def together(several: Sequence[Conditions]) -> Conditions:
    """What bears on any of them bears on what is made of them."""
    return Conditions(
        looks=max((c.looks for c in several), default=1),
        at_least=any(c.at_least for c in several),
        doubt=next((c.doubt for c in several if c.doubt), ""),
        remark=next((c.remark for c in several if c.remark), ""),
    )


Pool = Literal["mean", "median", "worst"]


def pooled(takes: Sequence[Measured], pool: Pool, *, worst: int = 0) -> Measured:
    """Many takes of one number as one, with the scatter between them as a contribution.

    s is the experimental standard deviation of the takes, with n − 1 degrees of freedom (JCGM 100, 4.2.2).
    mean: u = s/√n (4.2.3 eq. 5). Levels such as dBm have the mean of their powers instead (`mean_level`).
    median: u = s √(π/(2n)), the large-sample value for normal scatter (from
    memory; above the true one for small n). worst: the take of index `worst` stands for what a single reading of
    this unit can be, so u = s. What the takes bring themselves does not shrink with their number; the take
    with the largest is used. Takes that never differ leave u = 0 here, and resolution stays (F.2.2.1).
    The worst of several exact counts is an exact count.
    """
    first = takes[0]
    try:
        values = [first.number, *(units.convert(m.number, m.unit or "1", first.unit or "1") for m in takes[1:])]
        budgets = [uncertainty.in_unit(m.budget, m.unit or "1", first.unit or "1") for m in takes]
    except ValueError as error:
        raise Unusable(f"the takes of {first.name} have different units: {error}") from None
    n = len(takes)
    if n == 1:
        return first
    conditions = together([m.conditions for m in takes])
    if all(m.exact for m in takes) and (pool == "worst" or len(set(values)) == 1):
        value = takes[worst].value
        return Measured(first.name, value, takes[worst].unit, exact=True, takes=n, conditions=conditions)
    s = statistics.stdev(values)
    if pool == "worst":
        value, u, own = values[worst], s, budgets[worst]
    else:
        if pool == "median":
            centre, u = statistics.median(values), s * math.sqrt(math.pi / (2 * n))
        elif units.is_level(first.unit or "1"):
            centre, u = mean_level(values)
        else:
            centre, u = statistics.fmean(values), s / math.sqrt(n)
        # A mean of equal floats may differ from them in the last place.
        value = centre if s else values[0]
        own = max(budgets, key=lambda budget: math.hypot(*(c.u for c in budget)))
    scatter = Contribution(basis=Basis.REPEATS, u=u, dof=n - 1, note=f"{pool} of {n} takes, s = {s:.3g}")
    return Measured(first.name, value, first.unit, (*own, scatter), takes=n, conditions=conditions)
