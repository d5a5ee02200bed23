"""The cell behind a clock: its voltage with and without a stated load, and how long it will last."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, replace

from verifier.gather.instruments.services import ENERGISE, INSTRUMENTS
from verifier.gather.probes.measuring import Sampling, bench_of, mean, measurable, sampling
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host
from verifier.steps import Cue

CELL_CAUTIONS = (
    "Coin cells: swallowed, they kill within hours. Keep them from children, and count them in and out.",
    "Mind the polarity of a cell, and never short it: no tweezers across it, no cells loose in a pocket.",
    "Never charge, heat or solder a coin cell. One that leaks, bulges or is hot is kept apart and not tested.",
)
"""16 CFR 1263 (swallowing); the others are common practice, no source."""
HOURS = 8766.0
"""Of a year of 365.25 days, as UCUM has it."""
SHORTEST_ACROSS = 0.5
"""Volts below which a reversed sign means nothing: an empty holder picks up a little."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltageSettings:
    meter: str
    """Which voltmeter of the station, by the name of its file; red to the cell's +."""
    relay: str = ""
    """Relay card that puts the test load across the cell, by the name of its file."""
    channel: int = 1
    """Contact of the relay card that does."""
    load: float = 0.0
    """With relay: the test load's resistance in Ohm."""
    instrument: str = ""
    """Instead of relay: an electronic load of the station, by the name of its file."""
    current: float = 0.0
    """With instrument: the test current in A; at most the station's ceiling."""
    settle: float = 2.0
    """How many seconds the load is on before the voltage is read."""
    samples: int = 3
    """How many values are taken and averaged."""
    interval: float = 0.1
    """Seconds between two values."""
    first: str = ""
    """What the technician has to do before, such as where the test lead goes. Empty: it is there."""

    def __post_init__(self) -> None:
        sampling(self.samples, self.interval)
        if len(self.first) > 300 or not self.first.isprintable():
            raise ValueError("first is a text of at most 300 characters without line breaks")
        if self.relay and self.instrument:
            raise ValueError("the test load is either behind a relay or an electronic load")
        if bool(self.relay) != (self.load > 0) or bool(self.instrument) != (self.current > 0):
            raise ValueError("a relay needs load, in Ohm; an electronic load needs current, in A")
        if not (self.load < 1e9 and self.current < 1.0 and 0 <= self.settle <= 600):
            raise ValueError("load, current (below 1 A) and settle are of reasonable size")

    def often(self) -> Sampling:
        return {"samples": self.samples, "interval": self.interval}

    def demands(self) -> Mapping[str, float]:
        return {"current": self.current} if self.instrument else {}


class Voltage:
    declaration = ProbeDeclaration(
        name="cell.voltage",
        title="Voltage of a backup cell, without and with load",
        what=(
            "Measures the cell's voltage with an instrument of the bench, open and, where a test load is stated, "
            "after it has been on for `settle` seconds: a resistor behind a contact of the relay card, or an "
            "electronic load. An old cell shows its 3 V open and breaks down under load. The load is on only "
            "while the check lasts."
        ),
        settings=VoltageSettings,
        readings=(
            ReadingDeclaration(name="open", kind="number", unit="V", what="Voltage without load."),
            ReadingDeclaration(name="right_way_up", kind="yes-no", what="No where + and − are exchanged."),
            ReadingDeclaration(
                name="loaded", kind="number", unit="V", what="Voltage under the test load.", optional=True
            ),
            ReadingDeclaration(
                name="drop", kind="number", unit="V", what="How much lower it is under load.", optional=True
            ),
        ),
        services=(INSTRUMENTS, ENERGISE),
        sources=(
            "JCGM 100, 4.3.7 (rectangular from a specification), 4.2.3 (scatter of the mean)",
            "JCGM 100, 5.1.2 (difference of two readings)",
        ),
        example="""\
[[checks]]
id = "cell-under-load"
title = "Coin cell holds its voltage at 0.2 mA"
probe = "cell.voltage"
settings = { meter = "meter", relay = "relays", channel = 4, load = 15000.0 }
needs = ["meter", "relays"]
limits = [
  { reading = "right_way_up", is = true, source = "maker" },
  { reading = "loaded", at_least = 2.9, unit = "V", source = "data sheet of the cell, at 15 kOhm" },
]
""",
        cues=True,
        cautions=CELL_CAUTIONS,
        timeout=60.0,
    )

    async def take(self, host: Host, settings: VoltageSettings) -> AsyncIterator[Reading | Cue]:
        """Raises NotPossible where the meter has no accuracy specification."""
        here, name = bench_of(host), settings.meter
        measurable(here, name, "voltage", "V")
        # Before anybody is asked to clip on what is then not used.
        for needed in filter(None, (name, settings.relay, settings.instrument)):
            await here.bench.identify(needed)
        if settings.first:
            yield Cue(say=f"{settings.first} Done?", wait=True)
        # A few values for a mean are no shape over time worth a drawing.
        unloaded = replace(await mean(here, name, "voltage", "V", "open", **settings.often()), series=None)
        yield unloaded
        right = float(unloaded.value) > -SHORTEST_ACROSS
        yield Reading(name="right_way_up", value=right, origin=unloaded.origin, exact=True)
        if not (settings.relay or settings.instrument):
            return
        loading = settings.relay or settings.instrument
        if settings.relay:
            await here.bench.close_contact(settings.relay, settings.channel, here.lease)
        else:
            await here.bench.switch_on(settings.instrument, settings.demands(), here.lease)
        await here.bench.wait(settings.settle)
        loaded = replace(await mean(here, name, "voltage", "V", "loaded", **settings.often()), series=None)
        await here.bench.still(loading)
        yield loaded
        # One meter on one range: its error is common to both, and only the scatter and the step are not.
        apart = tuple(
            replace(c, note=f"{reading.name}: {c.note}")
            for reading in (unloaded, loaded)
            for c in reading.contributions
            if c.basis in (Basis.REPEATS, Basis.RESOLUTION)
        )
        drop = float(unloaded.value) - float(loaded.value)
        yield Reading(name="drop", value=drop, unit="V", origin=loaded.origin, contributions=apart)


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeSettings:
    meter: str
    """Which instrument of the station is in the cell's lead, by the name of its file."""
    shunt: float = 0.0
    """Where the meter measures the voltage across a resistor in the lead: its resistance in Ohm. 0: the meter
    measures the current itself."""
    shunt_within: float = 1.0
    """Firm bounds of the shunt in percent."""
    capacity: float = 220.0
    """What the cell holds, in mAh, down to the voltage at which the clock stops."""
    capacity_within: float = 10.0
    """Firm bounds of that, in percent."""
    self_discharge: float = 1.0
    """What the cell loses by itself, in percent of its capacity a year."""
    self_discharge_within: float = 0.5
    """Firm bounds of that, in percent a year."""
    powered: float = 0.0
    """Share of the time in which the unit is powered and draws nothing from the cell; 0 to 0.99."""
    samples: int = 10
    """How many values are taken and averaged."""
    interval: float = 0.5
    """Seconds between two values: the current comes in pulses."""

    def __post_init__(self) -> None:
        sampling(self.samples, self.interval)
        if not (0 < self.capacity < 1e6 and 0 <= self.capacity_within <= 100 and 0 <= self.powered <= 0.99):
            raise ValueError("capacity is positive, its bounds up to 100 %, powered from 0 to 0.99")
        if not (0 <= self.shunt < 1e9 and 0 <= self.shunt_within <= 100):
            raise ValueError("shunt is a resistance, its bounds up to 100 %")
        if not 0 <= self.self_discharge_within <= max(self.self_discharge, 0) <= 100:
            raise ValueError("self_discharge lies between its bounds and 100 % a year")


def years(capacity: float, current: float, self_discharge: float = 0.0, powered: float = 0.0) -> float:
    """How long a cell lasts: C / (8766 h/a · (1 − powered) · I + s · C), in years.

    Capacity C in Ah, current I in A, self-discharge s as a share of C a year. Without self-discharge it is the
    makers' years = Ah / (8760 (1 − duty) I); what the cell loses by itself draws beside (linear; 0 draws nothing
    and lasts for ever).
    """
    drawn = HOURS * (1 - powered) * current + self_discharge * capacity
    return capacity / drawn if drawn > 0 else math.inf


def life(settings: LifeSettings, current: Reading) -> Reading:
    """The projected life with its budget (JCGM 100, 5.1.2): L = C/D, D = a(1 − p)I + sC.

    ∂L/∂I = −C a(1 − p)/D², ∂L/∂C = a(1 − p)I/D², ∂L/∂s = −C²/D².
    """
    amps, capacity, lost = float(current.value), settings.capacity / 1000, settings.self_discharge / 100
    drawing = HOURS * (1 - settings.powered)
    drawn = drawing * amps + lost * capacity
    by_current = capacity * drawing / drawn**2
    stated = (
        (
            drawing * amps / drawn**2 * capacity,
            settings.capacity_within / 100,
            f"capacity, {settings.capacity:g} mAh",
        ),
        (
            capacity**2 / drawn**2,
            settings.self_discharge_within / 100,
            f"self-discharge, {settings.self_discharge:g} % a year",
        ),
    )
    return Reading(
        name="life",
        value=capacity / drawn,
        unit="a",
        origin=f"capacity and self-discharge as stated, current by {current.origin}"[:1000],
        contributions=(
            *(
                Contribution(basis=c.basis, u=c.u * by_current, dof=c.dof, note=c.note)
                for c in current.contributions
            ),
            *(
                Contribution.half_width(by * half, basis=Basis.STATEMENT, note=note)
                for by, half, note in stated
                if half
            ),
        ),
    )


class Life:
    declaration = ProbeDeclaration(
        name="cell.life",
        title="How long a backup cell will last",
        what=(
            "Measures what the unit draws from its cell while its supply is away, with a meter in the cell's lead "
            "or across a resistor there, and projects how long a cell of the stated capacity lasts, what it loses "
            "by itself included. Take the supply away before, by a prompt or a relay."
        ),
        settings=LifeSettings,
        readings=(
            ReadingDeclaration(name="current", kind="number", unit="A", what="Drawn from the cell."),
            ReadingDeclaration(
                name="life", kind="number", unit="a", what="Years that a full cell lasts.", optional=True
            ),
        ),
        services=(INSTRUMENTS,),
        sources=("JCGM 100, 5.1.2 (law of propagation) and 4.3.7 (firm bounds)",),
        example="""\
[[checks]]
id = "cell-life"
title = "Coin cell lasts"
probe = "cell.life"
settings = { meter = "meter", shunt = 1000.0, capacity = 220.0 }
needs = ["meter"]
limits = [
  { reading = "current", at_most = 6, unit = "uA", source = "maker" },
  { reading = "life", at_least = 3, unit = "years", source = "judgement" },
]
""",
        cautions=CELL_CAUTIONS,
        timeout=60.0,
    )

    async def take(self, host: Host, settings: LifeSettings) -> AsyncIterator[Reading]:
        """Raises NotPossible where the meter has no accuracy specification."""
        here = bench_of(host)
        await here.bench.identify(settings.meter)
        often: Sampling = {"samples": settings.samples, "interval": settings.interval}
        if settings.shunt:
            across = await mean(here, settings.meter, "voltage", "V", "current", **often)
            current = through(across, settings.shunt, settings.shunt_within)
        else:
            current = await mean(here, settings.meter, "current", "A", "current", **often)
        yield current
        if HOURS * (1 - settings.powered) * float(current.value) + settings.self_discharge > 0:
            yield life(settings, current)


def through(across: Reading, shunt: float, within: float) -> Reading:
    """The current through a resistor from the voltage across it: I = V/R, with the bounds of R in percent."""
    amps = float(across.value) / shunt
    known = tuple(
        Contribution(basis=c.basis, u=c.u / shunt, shape=c.shape, dof=c.dof, note=c.note)
        for c in across.contributions
    )
    of_shunt = Contribution.half_width(
        abs(amps) * within / 100, basis=Basis.STATEMENT, note=f"shunt, {shunt:g} Ω ± {within:g} %"
    )
    return Reading(
        name="current",
        value=amps,
        unit="A",
        origin=f"{across.origin}, across {shunt:g} Ω",
        contributions=(*known, of_shunt),
    )
