"""Is a case tight? The pressure in it, held for a while and watched: an instrument's, with what temperature adds.

An ideal gas in a closed volume follows its temperature: dp = p dT/T, with the absolute pressure p. Near 20 °C that
is 0.34 % a kelvin, some 350 Pa at one atmosphere, far more than a small leak. So a case has to settle, hands have
to stay off, and somebody has to say how steady it was.
"""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from statistics import fmean

from verifier.gather.instruments.services import INSTRUMENTS
from verifier.gather.probes.measuring import bench_of, measurable, of_values
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration, Series
from verifier.services import Host
from verifier.steps import Cue

ATMOSPHERE = 101_325.0
"""Pa"""
ROOM = 293.15
"""K, where no thermometer says better: 10 K more change what a kelvin does by 3 %."""
ZERO_CELSIUS = 273.15


@dataclass(frozen=True, slots=True)
class Settings:
    instrument: str
    """Which pressure gauge of the station, by the name of its file; it shows the pressure above the room's."""
    fill: float
    """Pressure that the case is filled to, in Pa, for the instruction."""
    seconds: float = 60.0
    """How long the decay is watched, 5 to 3600; the decay is that over this time."""
    settle: float = 20.0
    """Seconds of rest before that, in which air and case come to one temperature, 0 to 3600."""
    interval: float = 1.0
    """Seconds between two values, 0.2 to 60."""
    steady: float = 0.02
    """By how much the temperature of the air inside may change meanwhile at the most, in K; half-width."""

    def __post_init__(self) -> None:
        if not (5 <= self.seconds <= 3600 and 0 <= self.settle <= 3600 and 0.2 <= self.interval <= 60):
            raise ValueError("seconds is 5 to 3600, settle 0 to 3600, interval 0.2 to 60")
        if self.seconds < 4 * self.interval:
            raise ValueError("seconds is four intervals at the least")
        if not (0 < self.fill <= 1e6 and 0 <= self.steady <= 10):
            raise ValueError("fill is a pressure in Pa, steady 0 to 10 K")


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through samples, by least squares."""

    slope: float
    at_start: float
    residual: float
    """Residual standard deviation."""
    u_slope: float
    dof: int


def line_through(times: Sequence[float], values: Sequence[float]) -> Line:
    """Least squares; u(slope) = s/√Σ(t − t̄)² with n − 2 degrees of freedom (JCGM 100, H.3.2).

    ValueError with fewer than three samples or all at one time.
    """
    n, middle, mean = len(times), fmean(times), fmean(values)
    width = math.fsum((t - middle) ** 2 for t in times)
    if n < 3 or width <= 0:
        raise ValueError("a line needs three samples at different times")
    slope = math.fsum((t - middle) * (v - mean) for t, v in zip(times, values, strict=True)) / width
    at_start = mean + slope * (times[0] - middle)
    left = math.fsum((v - mean - slope * (t - middle)) ** 2 for t, v in zip(times, values, strict=True))
    residual = math.sqrt(left / (n - 2))
    return Line(slope, at_start, residual, residual / math.sqrt(width), n - 2)


def of_temperature(pressure: float, kelvin: float) -> float:
    """What `kelvin` more do in a closed case, in Pa, at `pressure` above the room's: dp = p dT/T (ideal gas)."""
    return (ATMOSPHERE + pressure) * kelvin / ROOM


class PressureDecay:
    declaration = ProbeDeclaration(
        name="instrument.pressure_decay",
        title="Pressure decay of a closed case",
        what=(
            "Has the technician fill the case and close the valve, lets it settle, and watches the pressure with "
            "an instrument: how much it falls over the time, by a straight line through all samples. What the air "
            "inside does with its temperature looks like a leak or hides one (0.34 % of the absolute pressure a "
            "kelvin): `steady` says how constant it was, and enters the uncertainty. Never before the adhesive "
            "has cured: put it after an order.cured check."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(
                name="filled", kind="number", unit="Pa", what="Pressure above the room's when the watch began."
            ),
            ReadingDeclaration(
                name="decay", kind="number", unit="Pa", what="By how much it fell over the time that was watched."
            ),
            ReadingDeclaration(
                name="unsteady",
                kind="number",
                unit="Pa",
                what="Scatter about the straight line; large where a hand, a draught or the valve disturbed it.",
            ),
        ),
        services=(INSTRUMENTS,),
        sources=(
            "JCGM 100, H.3.2 (straight line by least squares), 4.3.7 (rectangular from a specification)",
            "JCGM 100, 5.1.3 (sensitivity): dp = p dT/T of an ideal gas",
        ),
        example="""\
[[checks]]
id = "seal"
title = "Case holds its pressure"
stage = "finished"
probe = "instrument.pressure_decay"
settings = { instrument = "pressure", fill = 2000, seconds = 60, steady = 0.02 }
needs = ["pressure"]
limits = [
  { reading = "filled", nominal = 2000, tolerance = 200, unit = "Pa", source = "maker" },
  { reading = "decay", at_most = 40, unit = "Pa", source = "maker" },
]
""",
        cues=True,
        lasts=lambda settings: settings.settle + settings.seconds,
        timeout=8000.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        here, name = bench_of(host), settings.instrument
        measurable(here, name, "pressure", "Pa")
        await here.bench.identify(name)
        yield Cue(
            say=f"Connect the case, fill it to {settings.fill:g} Pa above the room and close the valve. Then "
            "hands off: warm hands, sun and draught look like leaks. Go on when the valve is closed.",
            wait=True,
            act="fill",
        )
        await here.bench.wait(settings.settle)
        began, times, values = here.clocks.loop(), list[float](), list[float]()
        while True:
            now = here.clocks.loop() - began
            values.append(await here.bench.measure(name, "pressure"))
            times.append((now + here.clocks.loop() - began) / 2)  # the value is of a moment in between
            if now >= settings.seconds:
                break
            await here.bench.wait(min(settings.interval, settings.seconds - now))
        line = line_through(times, values)
        series = Series(t0=times[0], dt=(times[-1] - times[0]) / (len(times) - 1), values=tuple(values))
        filled = of_values(here, name, "pressure", "Pa", "filled", values[:1], series=series)
        yield filled
        specification = here.bench.described(name).quantities["pressure"].ranges
        gain = max(accuracy.of_reading for accuracy in specification)
        step = max(accuracy.resolution for accuracy in specification)
        decay = -line.slope * settings.seconds
        air = of_temperature(float(filled.value), settings.steady)
        yield Reading(
            name="decay",
            value=decay,
            unit="Pa",
            origin=here.bench.origin(name),
            contributions=(
                Contribution(
                    basis=Basis.REPEATS,
                    u=line.u_slope * settings.seconds,
                    dof=line.dof,
                    note=f"straight line through {len(values)} samples",
                ),
                Contribution.half_width(
                    air, basis=Basis.STATEMENT, note=f"air inside steady within {settings.steady:g} K: 0.34 %/K"
                ),
                # The zero of the gauge falls out of a difference; its scale stays.
                Contribution.half_width(
                    abs(decay) * gain / 100, basis=Basis.SPECIFICATION, note=f"{name}: {gain:g} % of reading"
                ),
                Contribution.half_width(step, basis=Basis.RESOLUTION, note=f"{name}: last digit of two values"),
            ),
        )
        yield Reading(name="unsteady", value=line.residual, unit="Pa", origin=here.bench.origin(name), exact=True)
