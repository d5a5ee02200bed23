"""From contributions to one combined standard uncertainty and its distribution.

What is decided here, beyond the formulas:

* Contributions are taken as independent (JCGM 100, 5.1); correlation is not modelled. For the difference of
  two readings of one instrument that is on the safe side; for their sum it may be too little, and the author
  states the uncertainty of the sum instead.
* An author's statement stands beside what the reading brings, and resolution always stays. Where the
  statement already holds a share for resolution, that share counts twice: u grows by at most the step/√12, so
  nothing passes that should not (JCGM 100, 4.3.10 warns of counting twice because it makes u too large).
* Scatter of repeats stands beside a specification for the same reason: a maker's specification covers the
  instrument, while repeats also see the unit and its contacts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from verifier.declare import units
from verifier.declare.suite import Statement
from verifier.judge import distributions
from verifier.judge.distributions import Distribution
from verifier.readings import Basis, Contribution, Shape


@dataclass(frozen=True, slots=True)
class Combined:
    """A budget and what it comes to, in the unit of the reading."""

    budget: tuple[Contribution, ...]
    u: float | None
    """Combined standard uncertainty u_c (JCGM 100, 5.1.2 eq. 10); None where nothing is known."""
    dof: float | None
    """Effective degrees of freedom of the whole (JCGM 100, G.4); None means infinitely many."""
    distribution: Distribution

    @property
    def repeatability_evaluated(self) -> bool:
        """False where nothing but resolution is known, or nothing at all."""
        return any(c.basis is not Basis.RESOLUTION for c in self.budget)


def combine(budget: Iterable[Contribution]) -> Combined:
    """Root sum of squares with its distribution.

    Normal or t by the effective degrees of freedom. Where one rectangular contribution outweighs all
    others together, its convolution with them: there the normal is too wide in the tails.
    """
    lines = tuple(budget)
    if not lines:
        return Combined((), None, None, distributions.NONE)
    u = math.hypot(*(c.u for c in lines))
    if u == 0:
        return Combined(lines, 0.0, None, distributions.NONE)
    dof = effective_dof(lines)
    at = max(range(len(lines)), key=lambda i: (lines[i].shape is Shape.RECTANGULAR, lines[i].u))
    widest, others = lines[at], lines[:at] + lines[at + 1 :]
    rest = math.hypot(*(c.u for c in others))
    if widest.shape is Shape.RECTANGULAR and widest.dof is None and widest.u > rest:
        half_width = widest.u * math.sqrt(3)
        if rest == 0:
            return Combined(lines, u, dof, distributions.rectangular(half_width))
        shape = distributions.rectangular_normal(half_width, rest, effective_dof(others))
        return Combined(lines, u, dof, shape)
    return Combined(lines, u, dof, distributions.normal_or_t(u, dof))


def effective_dof(budget: Sequence[Contribution]) -> float | None:
    """Welch-Satterthwaite, not rounded: ν_eff = u_c⁴ / Σ (u_i⁴ / ν_i) (JCGM 100, G.4.1 eq. G.2b).

    None means infinitely many: no contribution that counts has a finite number.
    """
    u = math.hypot(*(c.u for c in budget))
    # In shares of u, because the fourth power of a nanometre in metres is lost to underflow.
    total = sum((c.u / u) ** 4 / c.dof for c in budget if c.dof is not None and math.isfinite(c.dof)) if u else 0.0
    return 1 / total if total else None


def stated(statements: Iterable[Statement], reading: str, unit: str) -> tuple[Contribution, ...]:
    """The author's statements for one reading, in `unit`: a half-width as rectangular (JCGM 100, 4.3.7).

    Raises ValueError for a unit that is none of a difference in `unit`.
    """
    found = []
    for statement in statements:
        if statement.reading != reading:
            continue
        given = statement.u if statement.u is not None else statement.half_width
        width = units.convert_difference(given or 0.0, statement.unit or unit, unit)
        rectangular = statement.u is None
        found.append(
            Contribution(
                basis=Basis(statement.basis),
                u=width / math.sqrt(3) if rectangular else width,
                shape=Shape.RECTANGULAR if rectangular else Shape.NORMAL,
                dof=statement.dof,
                note=statement.source,
            )
        )
    return tuple(found)


def carried(budget: Iterable[Contribution], sensitivity: float, name: str) -> list[Contribution]:
    """Contributions of an input as contributions of the result: |c_i| u_i (JCGM 100, 5.1.3 eq. 11a), by name."""
    return [
        replace(c, u=abs(sensitivity) * c.u, note=f"{name}: {c.note}" if c.note else name)
        for c in budget
        if sensitivity
    ]


def in_unit(budget: Iterable[Contribution], source: str, target: str) -> tuple[Contribution, ...]:
    """The same contributions in another unit of the same kind; ValueError where differences do not convert."""
    if source == target:
        return tuple(budget)
    return tuple(replace(c, u=units.convert_difference(c.u, source, target)) for c in budget)
