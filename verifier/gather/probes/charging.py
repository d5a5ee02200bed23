"""A charge as it is watched: samples, what ends it, and how much went in. Pure; shared by all that watch one.

A lithium cell takes a constant current up to its end-of-charge voltage, then a constant voltage while the current
tapers off; below a certain current it is full.

1. A hard stop is held against every single sample: hot, cold, over-voltage, over-current, too long, blind.
2. The end of the charge needs several samples in a row with a small current; none at all is a plug pulled out.
3. Of several the first of this order counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from verifier.readings import Basis, Contribution, Reading, Series

IN_A_ROW = 3
"""Samples that have to agree before a charge counts as ended, and of which a current is the mean."""
HARD = {
    "temperature": "the cell is too hot",
    "cold": "the cell is too cold to be charged",
    "over-voltage": "the voltage is too high",
    "over-current": "the current is too high",
    "time": "it has taken too long",
    "blind": "the cell can no longer be watched",
}
"""What ends a charge at once, with the reason in words."""
TAPER, FULL, NOT_CHARGING = "taper", "full", "not-charging"


@dataclass(frozen=True, slots=True)
class Sample:
    at: float
    """Seconds since the watch began."""
    current: float
    """Into the cell, in A."""
    voltage: float
    """In V."""
    temperature: float
    """Of the cell, in °C."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What a charge may not exceed, and what it ends at."""

    temperature: float
    """°C"""
    voltage: float
    """V"""
    current: float
    """A"""
    seconds: float
    taper: float
    """A"""
    coldest: float = 0.0
    """°C; below it lithium plates out, which later shorts the cell."""

    def __post_init__(self) -> None:
        if not 0 < self.temperature <= 60:
            raise ValueError("hottest is above 0 and at most 60 °C: no common lithium cell may be charged hotter")
        if not -20 <= self.coldest < self.temperature:
            raise ValueError("coldest is -20 °C or more, and below hottest")
        if not (0 < self.voltage < 1000 and 0 < self.taper < self.current < 1000):
            raise ValueError(
                "highest_voltage, highest_current and taper are positive, and taper is the smaller current"
            )
        if not 60 <= self.seconds <= 43_200:
            raise ValueError("minutes is 1 to 720")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeSettings:
    """What every charge check is told; how much voltage and current may be, each says in its own way."""

    taper: float
    """Current at which the cell counts as full, in A."""
    hottest: float = 45.0
    """Temperature stop, in °C, at most 60."""
    coldest: float = 0.0
    """Temperature below which it is not charged, in °C, at least -20."""
    minutes: float = 180.0
    """Time stop, 1 to 720."""
    interval: float = 2.0
    """Seconds between two looks, 0.1 to 30."""
    unattended: str = ""
    """Why nobody has to stay beside it, in words; without it somebody has to. Where the unit charges itself, only
    for units that can be told to stop."""

    def bounds_with(self, voltage: float, current: float) -> Bounds:
        """ValueError for settings that make no sense."""
        if not 0.1 <= self.interval <= 30:
            raise ValueError("interval is 0.1 to 30 seconds")
        if not (self.unattended.isprintable() and len(self.unattended) <= 200):
            raise ValueError("unattended is a short printable reason")
        return Bounds(
            temperature=self.hottest,
            voltage=voltage,
            current=current,
            seconds=self.minutes * 60,
            taper=self.taper,
            coldest=self.coldest,
        )

    @property
    def attended(self) -> str:
        """In words for the report."""
        return f"nobody had to stay: {self.unattended}" if self.unattended else "somebody was to stay"


@dataclass(slots=True)
class Charge:
    """The samples of one charge, as they come."""

    bounds: Bounds
    samples: list[Sample] = field(default_factory=list)
    began: bool = False
    """Whether a current above the taper was ever seen: before that a small one is no end."""

    def take(self, sample: Sample) -> str:
        """Why the charge ends with this sample; empty while it goes on."""
        self.samples.append(sample)
        self.began = self.began or sample.current > self.bounds.taper
        if why := hard_stop(sample, self.bounds):
            return why
        last = self.samples[-IN_A_ROW:]
        if self.began and len(last) == IN_A_ROW and all(0 < s.current <= self.bounds.taper for s in last):
            return TAPER
        return ""

    def greatest_current(self) -> float:
        """The greatest mean of several samples in a row, in A: what the charge ran at before it tapered off."""
        size = min(IN_A_ROW, len(self.samples))
        runs = (self.samples[n : n + size] for n in range(len(self.samples) - size + 1))
        return max(math.fsum(s.current for s in run) / size for run in runs)


def hard_stop(sample: Sample, bounds: Bounds) -> str:
    """The first of the bounds that one sample does not keep to; empty where it keeps to all."""
    if not sample.temperature < bounds.temperature:
        return "temperature"
    if sample.temperature < bounds.coldest:
        return "cold"
    if not sample.voltage <= bounds.voltage:
        return "over-voltage"
    if not sample.current <= bounds.current:
        return "over-current"
    return "time" if sample.at >= bounds.seconds else ""


def charged(samples: Sequence[Sample]) -> float:
    """What went in, in A·h: the current integrated by the trapezoidal rule."""
    return math.fsum((a.current + b.current) / 2 * (b.at - a.at) for a, b in pairwise(samples)) / 3600


def rule_error(samples: Sequence[Sample]) -> float:
    """What the trapezoidal rule leaves unknown, in A·h: a third of what every other sample would change.

    Richardson: halving the step quarters the error of a rule of second order.
    """
    return abs(charged(samples) - charged([*samples[:-1:2], samples[-1]])) / 3 if len(samples) > 2 else 0.0


@dataclass(frozen=True, slots=True)
class Known:
    """How well one quantity of a charge is known."""

    step: float
    """Resolution, in its own unit."""
    percent: float = 0.0
    """Largest error in percent of the value, by a data sheet; 0 where none is stated."""
    note: str = ""
    absolute: float = 0.0
    """The same beside it, in its own unit."""

    def of(self, value: float, over: float = 1.0) -> tuple[Contribution, ...]:
        """The contributions to `value`, which is `over` times as much as one sample."""
        found = [Contribution.resolution(self.step * over, note=f"{self.note}: step of {self.step:g}")]
        if self.percent or self.absolute:
            fixed = f" + {self.absolute:g}" if self.absolute else ""
            note = f"{self.note}: {self.percent:g} % of the value{fixed}"
            half = abs(value) * self.percent / 100 + self.absolute * over
            found.insert(0, Contribution.half_width(half, basis=Basis.SPECIFICATION, note=note))
        return tuple(found)


def readings_of(
    charge: Charge, *, current: Known, voltage: Known, temperature: Known, origins: tuple[str, str, str]
) -> list[Reading]:
    """The readings of a charge that has ended; `origins` are those of current, voltage and temperature."""
    samples = charge.samples
    took = samples[-1].at - samples[0].at
    hottest = max(samples, key=lambda s: s.temperature).temperature
    went_in = charged(samples)
    # An error of the step has the same sign all along, at the worst: so much over the whole time.
    of_charge = current.of(went_in, over=took / 3600)
    rule = Contribution(
        basis=Basis.STATEMENT, u=rule_error(samples), note="trapezoidal rule, from every other sample"
    )
    amperes, volts, degrees = origins
    return [
        _measured(
            "current",
            charge.greatest_current(),
            "A",
            amperes,
            current,
            _series([s.current for s in samples], samples),
        ),
        _measured(
            "voltage_end", samples[-1].voltage, "V", volts, voltage, _series([s.voltage for s in samples], samples)
        ),
        _measured("taper_current", samples[-1].current, "A", amperes, current),
        _measured(
            "hottest", hottest, "Cel", degrees, temperature, _series([s.temperature for s in samples], samples)
        ),
        Reading(name="charged", value=went_in, unit="A.h", origin=amperes, contributions=(*of_charge, rule)),
        Reading(name="took", value=round(took, 3), unit="s", origin="clock of the bench", exact=True),
    ]


def _measured(
    name: str, value: float, unit: str, origin: str, known: Known, series: Series | None = None
) -> Reading:
    return Reading(name=name, value=value, unit=unit, origin=origin, contributions=known.of(value), series=series)


def _series(values: list[float], samples: Sequence[Sample]) -> Series | None:
    took = samples[-1].at - samples[0].at
    if len(samples) < 2 or took <= 0:
        return None
    return Series(t0=samples[0].at, dt=took / (len(samples) - 1), values=tuple(values))
