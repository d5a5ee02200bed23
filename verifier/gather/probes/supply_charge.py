"""A battery charged by a bench supply, which sets the current and the end of charge and is switched off by itself.

Supply and thermometer are the bench's, so whatever ends the charge, also an error or the end of the run, makes the
supply safe; nobody has to pull a plug for that.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verifier.gather.instruments.services import ENERGISE, INSTRUMENTS
from verifier.gather.probes.charge import CAUTIONS, READINGS
from verifier.gather.probes.charging import (
    HARD,
    NOT_CHARGING,
    Bounds,
    Charge,
    ChargeSettings,
    Known,
    Sample,
    hard_stop,
    readings_of,
)
from verifier.gather.probes.instruments import CAUTION, SOURCES
from verifier.gather.probes.measuring import bench_of, measurable
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host
from verifier.steps import Cue

if TYPE_CHECKING:
    from verifier.gather.instruments.bench import InstrumentHost

ABOVE = 0.02
"""By what share voltage and current may lie above what was set before they count as too high (judgement): the
supply's own trips lie at a tenth."""
PATIENCE = 30.0
"""Seconds in which a current must begin to flow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings(ChargeSettings):
    instrument: str
    """Which supply of the station, by the name of its file."""
    voltage: float
    """End of charge to set, in V; at most the station's ceiling."""
    current_limit: float
    """Charging current to set, in A; at most the station's ceiling."""
    thermometer: str
    """Thermometer of the station that lies on the cell, by the name of its file."""

    def __post_init__(self) -> None:
        self.bounds()

    def demands(self) -> Mapping[str, float]:
        return {"voltage": self.voltage, "current": self.current_limit}

    def bounds(self) -> Bounds:
        return self.bounds_with(self.voltage * (1 + ABOVE), self.current_limit * (1 + ABOVE))


class SupplyCharge:
    declaration = ProbeDeclaration(
        name="supply.charge",
        title="Charging a battery from a bench supply",
        what=(
            "Charges a battery from a bench supply: constant current up to the voltage that is set, then constant "
            "voltage until the current has tapered off. A thermometer of the bench lies on the cell. Too hot, "
            "over-voltage, over-current or too long: then the supply is switched off at once, as it is when the "
            "check ends in any other way. The technician stays beside it, unless the suite gives a reason not to. "
            + CAUTION
        ),
        settings=Settings,
        readings=(
            *READINGS,
            ReadingDeclaration(
                name="ended", kind="yes-no", what="Whether the supply said afterwards that its output is off."
            ),
            ReadingDeclaration(
                name="attended", kind="text", what="That somebody stayed, or the suite's reason why nobody had to."
            ),
        ),
        services=(INSTRUMENTS, ENERGISE),
        sources=SOURCES,
        example="""\
[[checks]]
id = "bench-charge"
title = "Battery takes a charge on the bench"
probe = "supply.charge"
settings = { instrument = "supply", thermometer = "thermometer", voltage = 4.35, current_limit = 1.9, taper = 0.2 }
needs = ["supply", "thermometer"]
limits = [
  { reading = "stopped_by", equals = "taper", source = "data sheet of the cell" },
  { reading = "hottest", at_most = 45, unit = "°C", source = "data sheet of the cell" },
]
""",
        cues=True,
        energises="charges",
        cautions=CAUTIONS,
        lasts=lambda settings: 60 * settings.minutes,
        timeout=46_800.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        here, name = bench_of(host), settings.instrument
        known = [
            _known(here, name, "current", "A"),
            _known(here, name, "voltage", "V"),
            _known(here, settings.thermometer, "temperature", "Cel"),
        ]
        await here.bench.identify(name)
        await here.bench.identify(settings.thermometer)
        if not settings.unattended:
            yield Cue(
                say="Battery on a surface that does not burn; thermometer on the cell; red to plus, black to "
                f"minus. Stay beside it, {settings.minutes:g} min at the most. Next {settings.current_limit:g} A "
                "go on.",
                wait=True,
            )
        charge = Charge(settings.bounds())
        first = await _sample(here, settings, 0.0)
        why = hard_stop(first, charge.bounds)
        if why:
            charge.take(first)
        else:
            await here.bench.switch_on(name, settings.demands(), here.lease)
        began = here.clocks.loop()
        while not why:
            await here.bench.wait(settings.interval)
            sample = await _sample(here, settings, here.clocks.loop() - began)
            why = charge.take(sample)
            # No current after so long, or none any more because a trip of its own has switched it off.
            if not why and sample.current <= 0 and not await here.bench.is_on(name):
                why = NOT_CHARGING
            if not why and not charge.began and sample.at >= PATIENCE:
                why = NOT_CHARGING
        await here.bench.make_safe(name)
        ended = not await here.bench.is_on(name)
        if not settings.unattended:
            said = f"STOP: {HARD[why]}. The supply is off." if why in HARD else "The charge has ended."
            yield Cue(say=f"{said} Take the leads off the battery.")
        supply, heat = here.bench.origin(name), here.bench.origin(settings.thermometer)
        for reading in readings_of(
            charge, current=known[0], voltage=known[1], temperature=known[2], origins=(supply, supply, heat)
        ):
            yield reading
        yield Reading(name="stopped_by", value=why, origin=supply, exact=True)
        yield Reading(name="ended", value=ended, origin=supply, exact=True)
        yield Reading(name="attended", value=settings.attended, origin="settings of the check", exact=True)


async def _sample(here: InstrumentHost, settings: Settings, at: float) -> Sample:
    # The temperature first: where the thermometer fails nothing more is asked, and the supply is made safe.
    temperature = await here.bench.measure(settings.thermometer, "temperature")
    current = await here.bench.measure(settings.instrument, "current")
    return Sample(at, current, await here.bench.measure(settings.instrument, "voltage"), temperature)


def _known(here: InstrumentHost, name: str, quantity: str, unit: str) -> Known:
    """How well an instrument measures it, by the widest of its ranges."""
    ranges = measurable(here, name, quantity, unit).ranges
    return Known(
        step=max(accuracy.resolution for accuracy in ranges),
        percent=max(accuracy.of_reading for accuracy in ranges),
        note=name,
        absolute=max(
            accuracy.of_range / 100 * (accuracy.full_scale or 0.0)
            + accuracy.counts * accuracy.resolution
            + accuracy.absolute
            for accuracy in ranges
        ),
    )
