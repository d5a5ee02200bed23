"""What all instrument probes do: from values that an instrument gives to a reading with its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING, TypedDict

from verifier.errors import BenchFault, NotPossible
from verifier.readings import Reading, ReadingDeclaration, Series
from verifier.services import Host

if TYPE_CHECKING:
    from verifier.gather.instruments.bench import InstrumentHost
    from verifier.gather.instruments.description import Quantity


class Sampling(TypedDict):
    """How many values are taken, and how many seconds apart."""

    samples: int
    interval: float


def sampling(samples: int, interval: float) -> None:
    """ValueError where nobody would wait for so many values."""
    if not 1 <= samples <= 1000:
        raise ValueError(f"samples is from 1 to 1000, not {samples}")
    if not 0 <= interval <= 60:
        raise ValueError(f"interval is from 0 to 60 s, not {interval:g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedSettings:
    """How a unit is fed: what all probes have in common that switch a supply on and then look."""

    instrument: str
    """Which supply of the station, by the name of its file."""
    voltage: float
    """Voltage to set, in V; at most the station's ceiling."""
    current_limit: float
    """Current limit to set, in A; at most the station's ceiling."""

    def refuse_odd(self) -> None:
        """ValueError for what no supply takes."""
        if not (0 < self.voltage < 1e4 and 0 < self.current_limit < 1e4):
            raise ValueError("voltage and current_limit are positive and of reasonable size")

    def demands(self) -> Mapping[str, float]:
        return {"voltage": self.voltage, "current": self.current_limit}


def bench_of(host: Host) -> InstrumentHost:
    """The bench behind a host; NotPossible where it is none."""
    from verifier.gather.instruments.bench import InstrumentHost

    if not isinstance(host, InstrumentHost):
        raise NotPossible(f"{host.address} has no instruments: only a bench has")
    return host


def has_accuracy(here: InstrumentHost, name: str, quantity: str) -> bool:
    """Whether an instrument measures it to a specification; without one nothing is read."""
    described = here.bench.described(name).quantities.get(quantity)
    return described is not None and bool(described.ranges)


def measurable(
    here: InstrumentHost, name: str, quantity: str, unit: str, in_range: float | None = None
) -> Quantity:
    """What the station says of a quantity; NotPossible where it cannot be measured so."""
    instrument = here.bench.described(name)
    described = instrument.quantities.get(quantity)
    if described is None:
        known = ", ".join(instrument.quantities) or "nothing"
        raise NotPossible(f"{name} does not measure {quantity} (it measures {known})")
    if described.unit != unit:
        raise NotPossible(f"{name} gives {quantity} in {described.unit}, not in {unit}")
    if not described.ranges:
        raise NotPossible(f"{quantity} of {name} has no accuracy specification in its file")
    if in_range is not None and in_range not in [a.full_scale for a in described.ranges]:
        there = ", ".join(f"{a.full_scale:g}" for a in described.ranges if a.full_scale) or "none"
        raise NotPossible(f"{name} has no range of {in_range:g} {unit} for {quantity} (its ranges: {there})")
    return described


async def mean(
    here: InstrumentHost,
    name: str,
    quantity: str,
    unit: str,
    reading: str,
    *,
    samples: int,
    interval: float,
    in_range: float | None = None,
) -> Reading:
    """The mean of some values, with its uncertainty by the specification of the range that applies."""
    measurable(here, name, quantity, unit, in_range)
    began, values = here.clocks.loop(), list[float]()
    while len(values) < samples:
        if values:
            await here.bench.wait(interval)
        values.append(await here.bench.measure(name, quantity, in_range))
    took = here.clocks.loop() - began
    series = None
    if len(values) > 1 and took > 0:
        series = Series(t0=0.0, dt=took / (len(values) - 1), values=tuple(values))
    return of_values(here, name, quantity, unit, reading, values, in_range=in_range, series=series)


def of_values(
    here: InstrumentHost,
    name: str,
    quantity: str,
    unit: str,
    reading: str,
    values: Sequence[float],
    *,
    in_range: float | None = None,
    series: Series | None = None,
) -> Reading:
    """A reading from values that an instrument gave. BenchFault where they lie beyond its ranges."""
    from verifier.gather.instruments.accuracy import contributions, range_for

    described, value = measurable(here, name, quantity, unit, in_range), fmean(values)
    accuracy = range_for(described, max(values, key=abs), in_range)
    if accuracy is None:
        raise BenchFault(f"{name}: measure {quantity}: {value:g} {unit} lies beyond the ranges in its file")
    return Reading(
        name=reading,
        value=value,
        unit=unit,
        origin=here.bench.origin(name),
        contributions=contributions(here.bench.described(name), name, accuracy, values, unit),
        series=series,
    )


def stays_on(what: str) -> ReadingDeclaration:
    """The reading of `stayed_on`; `what` is supply or load."""
    return ReadingDeclaration(
        name="stayed_on", kind="yes-no", what=f"No where a trip of the {what} had switched off by the end."
    )


async def stayed_on(here: InstrumentHost, name: str) -> Reading:
    """Whether no trip of the instrument's own has switched its output off."""
    return Reading(
        name="stayed_on", value=await here.bench.is_on(name), origin=here.bench.origin(name), exact=True
    )
