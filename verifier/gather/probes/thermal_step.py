"""The thermal path under a known load: how far a sensor rises over the air, foretold while it still rises."""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import anyio

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.probes.attributes import number_of
from verifier.gather.probes.heat_source import SETTLING, HeatSource
from verifier.gather.probes.heat_source import SOURCES as HEAT_SOURCES
from verifier.gather.probes.thermal import Sensor, sensors_of, step_of
from verifier.readings import (
    Basis,
    Conditions,
    Contribution,
    ProbeDeclaration,
    Reading,
    ReadingDeclaration,
    Series,
)
from verifier.services import Files, Host, load_of
from verifier.steps import AIR, Ask, Consult, Cue, Look

if TYPE_CHECKING:
    from verifier.gather.heating.estimate import Estimate, Samples, Spans

SLOWLY = 5.0
"""Seconds between two looks at the heat source, and at the air."""
LONGEST_GAP = 10.0
"""Seconds without a sample after which a heating is no series any more."""
WARM_UP = 0.05
"""Smallest part of the longest time at which a first look makes sense."""
CELSIUS = r"-?\d{1,2}([.,]\d{1,2})?"


@dataclass(frozen=True, slots=True)
class Settings:
    sensor: str = "*"
    """Which sensor counts, as for thermal.sensors; of several the one that is hottest at the start."""
    minimum: float = 200.0
    """Seconds of heating before which nothing is decided."""
    longest: float = 2700.0
    """Seconds of heating at the most: about the time to 99 % of the settled rise."""
    interval: float = 0.5
    """Seconds between two samples."""
    fast: tuple[float, float] = (8.0, 120.0)
    """Range of the first time constant in s: processor and heat block, over all states of the interface."""
    slow: tuple[float, float] = (400.0, 1000.0)
    """Range of the second time constant in s: the shell. The narrower, the earlier the answer."""
    known_from: str = ""
    """Where these ranges come from, such as "30 good units, study 2026-08"; empty for the author's own guess."""
    ceiling: float = 95.0
    """Temperature of the sensor in Cel at which the load ends at once."""
    power: float = 0.0
    """Heat under the load in W, where the model states it; 0: from the meter or the processor's own counter."""
    power_half_width: float = 0.0
    """Half-width in W of what is not known of that figure, or of what the counter says."""
    meter: str = ""
    """Power meter that measures it, by the name of its file in the station."""
    thermometer: str = ""
    """Thermometer of the bench in the air beside the unit, by the name of its file."""
    air_sensor: str = ""
    """Sensor of the unit that is in the air, as for `sensor`. With neither, the technician is asked."""
    air_half_width: float = 1.0
    """Half-width in K of what is not known of the air, where no instrument's specification says it."""
    attended: bool = True
    """Whether the technician has to say that they stay with the unit; false lets it heat by itself."""
    cooling: float = 0.0
    """Seconds of cooling down afterwards, for a second estimate; 0 for none."""

    def __post_init__(self) -> None:
        for name, (low, high), most in (("fast", self.fast, 20), ("slow", self.slow, 5)):
            if not 0.1 <= low < high <= 36_000 or high > most * low:
                raise ValueError(f"{name} is a range in s, its upper end at most {most} times the lower one")
        if self.fast[1] >= self.slow[0]:
            raise ValueError("fast ends below where slow begins")
        if not 30 <= self.longest <= 7200 or not WARM_UP * self.longest <= self.minimum < self.longest:
            raise ValueError("longest is from 30 to 7200 s, minimum from a twentieth of it to less than it")
        if not 0.1 <= self.interval <= 10 or self.minimum / self.interval < 60:
            raise ValueError("interval is from 0.1 to 10 s, and at least 60 samples fit into minimum")
        if not 30 <= self.ceiling <= 120:
            raise ValueError("ceiling is from 30 to 120 Cel")
        if not (0 <= self.power <= 1000 and 0 <= self.power_half_width <= 1000):
            raise ValueError("power and power_half_width are from 0 to 1000 W")
        if not (0 <= self.air_half_width <= 20 and 0 <= self.cooling <= 7200):
            raise ValueError("air_half_width is from 0 to 20 K, cooling from 0 to 7200 s")


@dataclass(slots=True)
class Taken:
    """What one heating gave so far."""

    sensor: Sensor
    step: float
    """Of the sensor, in K."""
    samples: list[tuple[float, float]] = field(default_factory=list)
    """Seconds after the load came on, and Cel."""
    air: list[tuple[float, float]] = field(default_factory=list)
    air_budget: tuple[Contribution, ...] = ()
    air_origin: str = ""
    watts: list[tuple[float, float]] = field(default_factory=list)
    """What the meter said."""
    power_budget: tuple[Contribution, ...] = ()
    load: str = ""
    """What loads, in words."""
    ceiling: float | None = None
    """When the ceiling was reached."""
    gap: float = 0.0
    """The longest time without a sample."""

    def regular(self, interval: float, until: float) -> Samples:
        """At one step: each sample is moved to where it should have been, along the line to its neighbour."""
        import numpy as np

        from verifier.gather.heating.estimate import Samples

        at, values = np.array(self.samples).T
        t = np.arange(math.floor(min(until, at[-1]) / interval) + 1) * interval
        air_at, air = np.array(self.air).T
        return Samples(t, np.interp(t, at, values), np.interp(t, air_at, air))


class Step:
    declaration = ProbeDeclaration(
        name="thermal.step",
        title="Thermal path under load",
        what=(
            "Loads all cores, samples a sensor and the air beside the unit, and foretells how far above "
            "the air the sensor settles. Ends as soon as that decides the check, at the earliest after `minimum`; "
            "looks ten times at the most, and the ten share the suite's risk. Give the limit on `rise`, or on "
            "`resistance` where the power is measured. A load that does not hold, a fan that changes its speed or "
            "a curve of another shape makes it inconclusive; the ceiling ends the load, and is a fail. The unit "
            "has to have been on, idle, for a while: it may be cooler than settled, never hotter."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(
                name="rise",
                kind="number",
                unit="K",
                what="Settled rise of the sensor over the air under the load.",
            ),
            ReadingDeclaration(
                name="resistance",
                kind="number",
                unit="K/W",
                what="The rise for each watt; missing where nothing says the power.",
                optional=True,
            ),
            ReadingDeclaration(
                name="time_constant_1",
                kind="number",
                unit="s",
                what="First time constant: it grows with the resistance of the interface, whatever the power is.",
                optional=True,
            ),
            ReadingDeclaration(
                name="time_constant_2",
                kind="number",
                unit="s",
                what="Second time constant, where the full fit has two.",
                optional=True,
            ),
            ReadingDeclaration(
                name="terms",
                kind="number",
                unit="1",
                what="Exponentials of the full fit, one or two, by AICc.",
                optional=True,
            ),
            ReadingDeclaration(
                name="rise_by_cooling",
                kind="number",
                unit="K",
                what="The settled rise from cooling down alone, where `cooling` asks for it.",
                optional=True,
            ),
            ReadingDeclaration(name="air", kind="number", unit="Cel", what="Air beside the unit, at the end."),
            ReadingDeclaration(
                name="power", kind="number", unit="W", what="Mean power under the load.", optional=True
            ),
            ReadingDeclaration(
                name="busy",
                kind="number",
                unit="%",
                what="Part of the time that the processor was busy under the load.",
                optional=True,
            ),
            ReadingDeclaration(
                name="clock", kind="number", unit="MHz", what="Mean clock under the load.", optional=True
            ),
            ReadingDeclaration(name="heated_for", kind="number", unit="s", what="How long the load was on."),
            ReadingDeclaration(name="hottest", kind="number", unit="Cel", what="Highest value of the sensor."),
        ),
        services=("files", "load"),
        privileges=(
            "read access to the processor's energy counter (root), or a power of the suite's or a meter's, "
            "else power and resistance are missing",
        ),
        sources=(
            "Linux Documentation/ABI/testing/sysfs-class-thermal, sysfs-class-hwmon",
            *HEAT_SOURCES,
            "JESD51-1 and -2A: theta = (TJ - TA)/PH; no prediction for another board or enclosure",
        ),
        example="""\
[[checks]]
id = "heat-path"
title = "Heat path holds under load"
probe = "thermal.step"
settings = { sensor = "processor", power = 10.0, power_half_width = 0.5, slow = [580, 700], known_from = "study" }
covers = ["heat-sheet"]
needs = ["quiet-unit"]
limits = [{ reading = "rise", at_most = 45, unit = "K", source = "study 2026-08, 30 good units" }]
""",
        cues=True,
        consults=True,
        looks=True,
        energises="heats",
        cautions=(
            "A unit under load gets hot: block, cover and shell may burn skin. What may be touched is a matter of "
            "the product standard, not of this check.",
            "Nothing may stand against or lie on a unit under load: the air around it has to be free.",
            "A unit under load is attended, unless its suite allows otherwise.",
        ),
        lasts=lambda settings: settings.longest + settings.cooling,
        timeout=15_000.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue | Ask | Consult | Look]:
        """Raises Absent without a sensor, NotPossible without a load, BenchFault where the sensor falls silent."""
        import scipy.optimize  # noqa: F401 - once under way, loading it would tear a hole into the samples

        from verifier.gather.heating import looks
        from verifier.gather.heating.estimate import Spans, estimate
        from verifier.gather.heating.forecast import Range

        files, clocks, load = host.files, host.clocks, load_of(host)
        sensor = await _sensor(files, settings.sensor)
        air = await _sensor(files, settings.air_sensor) if settings.air_sensor else None
        taken = Taken(sensor, step_of(sensor.millidegrees))
        spans = Spans(Range(*settings.fast), Range(*settings.slow))
        source = HeatSource(files)
        await source.find()
        if settings.attended:
            yield Cue(say=_stay(settings), wait=True)
        if air is None and not settings.thermometer:
            yield (question := _air_question("show"))
            _asked(taken, settings, question, 0.0)
        at_looks = looks.moments(settings.minimum, settings.longest)
        number, decided, spoiled = 0, False, ""
        try:
            taken.load = await load.start(settings.longest + 60.0)
            began = clocks.loop()
            await source.begin(0.0)
            next_sample = next_slow = 0.0
            while number < len(at_looks) and not decided:
                await clocks.sleep(max(0.0, next_sample - (clocks.loop() - began)))
                now = clocks.loop() - began
                value = await _read(files, sensor, now)
                if taken.samples:
                    taken.gap = max(taken.gap, now - taken.samples[-1][0])
                taken.samples.append((now, value / 1000))
                taken.step = min(taken.step, step_of(value))
                next_sample = max(next_sample + settings.interval, now)
                if value / 1000 >= settings.ceiling:
                    await load.stop()
                    taken.ceiling = now
                if now >= next_slow:
                    next_slow = now + SLOWLY
                    await load.renew()
                    await source.look(now)
                    if air is not None:
                        _felt(taken, settings, air, await _read(files, air, now), now)
                    if settings.thermometer:
                        yield (wish := Consult(probe="instrument.temperature", instrument=settings.thermometer))
                        _measured_air(taken, wish, now)
                    if settings.meter and now > SETTLING:
                        yield (wish := Consult(probe="instrument.power", instrument=settings.meter))
                        _measured_power(taken, wish, now)
                    spoiled = _doubt(taken, source, settings)
                if taken.ceiling is not None:
                    break
                # What is spoiled stays so: nobody heats on for it once there is enough to say how far it came.
                if now >= at_looks[number] or (spoiled and number):
                    number += 1
                    samples = taken.regular(settings.interval, now)
                    found = estimate(samples, spans, settings.longest, step=taken.step)
                    doubt = _doubt(taken, source, settings)
                    readings = _judged(taken, source, settings, found, doubt or found.doubt, number)
                    yield (look := Look(readings=tuple(readings)))
                    decided = look.enough or bool(doubt)
        finally:
            with anyio.CancelScope(shield=True):
                await load.stop()
        ended = taken.samples[-1][0]
        cools = bool(settings.cooling) and taken.ceiling is None and not _doubt(taken, source, settings)
        if settings.attended:
            yield Cue(say=_still_hot(taken, settings, cools))
        cooling = []
        while cools and (now := clocks.loop() - began) < ended + settings.cooling:
            cooling.append((now, await _read(files, sensor, now) / 1000))
            await clocks.sleep(settings.interval)
        # Asked only now: the unit does not wait with its cooling until somebody has answered.
        if settings.attended and air is None and not settings.thermometer:
            yield (question := _air_question("show now"))
            _asked(taken, settings, question, ended + (settings.cooling if cools else 0.0))
        cooled = _cooled(taken, cooling, ended) if cools else []
        for reading in _final(taken, source, settings, spans, ended, number, cooled):
            yield reading


# ---- what is read, and what is asked ---------------------------------------------------------------


async def _sensor(files: Files, wanted: str) -> Sensor:
    found = [s async for s in sensors_of(files) if s.state == "gives"]
    if not found:
        raise Absent("this host has no temperature sensor")
    matching = [s for s in found if s.matches(wanted)]
    if not matching:
        known = ", ".join(sorted({s.names[0] for s in found})[:20])
        raise Absent(f"no temperature sensor is called {wanted!r}; there are {known}")
    return max(matching, key=lambda s: s.millidegrees)


async def _read(files: Files, sensor: Sensor, now: float) -> int:
    value = await number_of(files, sensor.origin)
    if value is None or abs(value) > 10_000_000:
        raise BenchFault(f"the sensor {sensor.names[0]} gave no temperature {now:.0f} s after the load came on")
    return value


def _about(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 150 else f"{seconds / 60:.0f} min"


def _stay(settings: Settings) -> str:
    soonest, latest = _about(settings.minimum), _about(settings.longest)
    return (
        f"The unit is about to be loaded and gets hot. The answer comes after {soonest} at the earliest, {latest} "
        "at the latest. Keep the air around it free, keep hands off, and stay with it."
    )


def _still_hot(taken: Taken, settings: Settings, cools: bool) -> str:
    reached = "" if taken.ceiling is None else f", because the sensor reached {settings.ceiling:g} °C"
    meanwhile = f" Leave it as it is for {_about(settings.cooling)}: its cooling is measured." if cools else ""
    return f"The load is off{reached}. The unit is still hot: hands off until it has cooled.{meanwhile}"


def _air_question(shows: str) -> Ask:
    return Ask(
        say=f"What does the thermometer in the free air beside the unit {shows}, in °C?",
        pattern=CELSIUS,
        hint="°C, such as 23.5",
        about=AIR,
    )


def _asked(taken: Taken, settings: Settings, question: Ask, at: float) -> None:
    if not re.fullmatch(CELSIUS, question.answer):
        raise NotPossible("nobody said how warm the air is")
    taken.air.append((at, float(question.answer.replace(",", "."))))
    note = "thermometer beside the unit, read by the technician; half-width from the suite"
    taken.air_budget = (Contribution.half_width(settings.air_half_width, basis=Basis.STATEMENT, note=note),)
    taken.air_origin = "technician"


def _felt(taken: Taken, settings: Settings, air: Sensor, millidegrees: int, now: float) -> None:
    taken.air.append((now, millidegrees / 1000))
    note = f"sensor {air.names[0]} in the air; half-width from the suite"
    taken.air_budget = (
        Contribution.half_width(settings.air_half_width, basis=Basis.STATEMENT, note=note),
        Contribution.resolution(step_of(millidegrees), note=f"step of the sensor {air.names[0]}"),
    )
    taken.air_origin = air.origin


def _measured_air(taken: Taken, wish: Consult, now: float) -> None:
    if wish.given is None:
        raise NotPossible(f"{wish.instrument} gave no temperature")
    taken.air.append((now, float(wish.given.value)))
    taken.air_budget, taken.air_origin = wish.given.contributions, wish.given.origin


def _measured_power(taken: Taken, wish: Consult, now: float) -> None:
    if wish.given is None:
        raise NotPossible(f"{wish.instrument} gave no power")
    taken.watts.append((now, float(wish.given.value)))
    taken.power_budget = wish.given.contributions


# ---- readings --------------------------------------------------------------------------------------


def _doubt(taken: Taken, source: HeatSource, settings: Settings) -> str:
    """What about the heating, other than its curve, keeps it from deciding anything."""
    if taken.gap > max(LONGEST_GAP, 5 * settings.interval):
        return f"the samples have a hole of {taken.gap:.0f} s"
    if doubt := source.doubt():
        return doubt
    watts = [w for _, w in taken.watts]
    if len(watts) > 3 and max(watts) - min(watts) > 0.2 * statistics.fmean(watts):
        return f"the load did not hold: the meter saw {min(watts):.3g} to {max(watts):.3g} W"
    return ""


def _power(taken: Taken, source: HeatSource, settings: Settings) -> Reading | None:
    """Mean power under the load: by the meter, as the model states it, or by the processor's own counter."""
    half = settings.power_half_width
    line = Contribution.half_width(half, basis=Basis.STATEMENT, note="half-width from the suite")
    stated = (line,) if half else ()
    if taken.watts:
        values = [w for _, w in taken.watts]
        return _of("power", statistics.fmean(values), "W", settings.meter, taken.power_budget)
    if settings.power:
        return _of("power", settings.power, "W", "the model's own figure", stated)
    values = [seen.watts for seen in source.looks if seen.watts is not None and seen.at > SETTLING]
    if len(values) < 2:
        return None
    u = statistics.stdev(values) / math.sqrt(len(values))
    scatter = Contribution(basis=Basis.REPEATS, u=u, dof=len(values) - 1, note=f"mean of {len(values)} (4.2.3)")
    return _of("power", statistics.fmean(values), "W", "energy counter of the processor", (scatter, *stated))


def _of(name: str, value: float, unit: str, origin: str, budget: Sequence[Contribution] = ()) -> Reading:
    return Reading(name=name, value=value, unit=unit, origin=origin, contributions=tuple(budget))


def _judged(
    taken: Taken, source: HeatSource, settings: Settings, found: Estimate, doubt: str, number: int
) -> list[Reading]:
    """What limits are held against: rise, resistance and the first time constant, and what they come from."""
    from verifier.gather.heating import looks

    last = number >= looks.LOOKS
    ended = f"after {found.after:.0f} s" if last else f"{found.after:.0f} s of at most {settings.longest:g} s"
    remark = (
        f"looked at {number} of {looks.LOOKS} times, {ended}: by the fit alone it settles between "
        f"{found.rise[0]:.1f} and {found.rise[1]:.1f} K"
    )
    conditions = Conditions(looks=looks.LOOKS, doubt=doubt, remark=remark)
    ranges = f"; ranges of the time constants: {settings.known_from}" if settings.known_from else ""
    fit = Contribution(
        basis=Basis.STUDY,
        u=looks.standard_uncertainty(found.rise),
        note=(
            f"fit to {found.points} points that remember {found.memory:.1f} of each other, "
            f"widened {looks.kappa('rise'):g} times by simulation{ranges}"
        ),
    )
    step = Contribution.resolution(taken.step, note=f"step of the sensor, {taken.step:g} K")
    origin = taken.sensor.origin
    rise = replace(_of("rise", found.value, "K", origin, (fit, step, *taken.air_budget)), conditions=conditions)
    readings = [rise]
    if (power := _power(taken, source, settings)) is not None:
        readings += [*_resistance(rise, power), power]
    fast = Contribution(
        basis=Basis.STUDY,
        u=looks.standard_uncertainty(found.fast),
        note=f"the same fit, widened {looks.kappa('fast'):g} times",
    )
    time_constant = _of("time_constant_1", found.fast_value, "s", origin, (fast,))
    return [*readings, replace(time_constant, conditions=replace(conditions, remark=""))]


def _resistance(rise: Reading, power: Reading) -> list[Reading]:
    """theta = rise/P (JESD51-1), its budget by the law of propagation (JCGM 100, 5.1.2 eq. 10)."""
    y, p = float(rise.value), float(power.value)
    if p <= 0:
        return []
    budget = [replace(c, u=c.u / p, note=f"rise: {c.note}") for c in rise.contributions]
    budget += [replace(c, u=c.u * abs(y) / p**2, note=f"power: {c.note}") for c in power.contributions]
    found = _of("resistance", y / p, "K/W", f"{rise.origin}; {power.origin}", budget)
    return [replace(found, conditions=replace(rise.conditions, remark=""))]


def _final(
    taken: Taken,
    source: HeatSource,
    settings: Settings,
    spans: Spans,
    ended: float,
    number: int,
    cooled: list[Reading],
) -> list[Reading]:
    samples = taken.regular(settings.interval, ended)
    judged, fitted = _settled(taken, source, settings, spans, samples, number, cooled)
    dt, origin = samples.dt, taken.sensor.origin
    busy = [s.busy for s in source.looks if s.busy is not None and s.at > SETTLING]
    clock = [s.clock for s in source.looks if s.clock is not None and s.at > SETTLING]
    air = _of("air", float(samples.air[-1]), "Cel", taken.air_origin, taken.air_budget)
    felt = tuple(round(float(v), 3) for v in samples.air[::20])
    if len(felt) > 2 and max(felt) - min(felt) > 0.1:
        air = replace(air, series=Series(t0=0.0, dt=dt * 20, values=felt))
    seen = [
        *fitted,
        *cooled,
        air,
        replace(_of("heated_for", round(ended, 1), "s", taken.load), exact=True),
        _of("hottest", max(v for _, v in taken.samples), "Cel", origin, (Contribution.resolution(taken.step),)),
    ]
    if busy:
        seen.append(replace(_of("busy", 100 * statistics.fmean(busy), "%", "/proc/stat"), exact=True))
    if clock:
        seen.append(replace(_of("clock", statistics.fmean(clock), "MHz", "scaling_cur_freq"), exact=True))
    return [*judged, *seen]


def _settled(
    taken: Taken,
    source: HeatSource,
    settings: Settings,
    spans: Spans,
    samples: Samples,
    number: int,
    cooled: list[Reading],
) -> tuple[list[Reading], list[Reading]]:
    """What is judged in the end, the rise with its samples and the fit; and what the full fit says beside it."""
    from verifier.gather.heating.estimate import estimate, fitted, rises

    y = rises(samples, spans.slow)
    doubt, extra, model = _doubt(taken, source, settings), list[Reading](), tuple[float, ...]()
    try:
        fit, ranges = fitted(samples, spans, settings.longest)
        model = tuple(round(float(v), 3) for v in fit.at(samples.t))
        extra.append(replace(_of("terms", fit.terms, "1", "AICc"), exact=True))
        if fit.terms == 2:
            u = fit.deviations[-1]
            line = Contribution(basis=Basis.REPEATS, u=u, dof=fit.dof, note="full fit, residuals that remember")
            extra.append(_of("time_constant_2", fit.time_constants[-1], "s", taken.sensor.origin, (line,)))
    except ValueError:
        ranges = ""
    series = Series(t0=0.0, dt=samples.dt, values=tuple(round(float(v), 3) for v in y), model=model)
    if taken.ceiling is not None:
        remark = f"its ceiling of {settings.ceiling:g} °C ended the load after {taken.ceiling:.0f} s"
        budget = (Contribution.resolution(taken.step), *taken.air_budget)
        rise = _of("rise", float(y[-1]), "K", taken.sensor.origin, budget)
        conditions = Conditions(at_least=True, doubt=doubt, remark=remark)
        judged = [replace(rise, conditions=conditions, series=series)]
        if (power := _power(taken, source, settings)) is not None:
            judged += [*_resistance(judged[0], power), power]
        return judged, extra
    found = estimate(samples, spans, settings.longest, step=taken.step)
    doubt = doubt or found.doubt or ranges or _disagreement(found, cooled)
    rise, *others = _judged(taken, source, settings, found, doubt, number)
    if settings.cooling and not cooled and not _doubt(taken, source, settings):
        remark = f"{rise.conditions.remark}; its cooling was too short to tell that too"
        rise = replace(rise, conditions=replace(rise.conditions, remark=remark))
    return [replace(rise, series=series), *others], extra


def _cooled(taken: Taken, cooling: list[tuple[float, float]], ended: float) -> list[Reading]:
    """The settled rise as the cooling tells it, against the air as it was last."""
    import numpy as np

    from verifier.gather.heating.estimate import settled_by_cooling
    from verifier.gather.heating.looks import bin_width, binned

    if not cooling:
        return []  # the sampling was held up for as long as it was to last
    at, values = np.array(cooling).T
    t, y = binned(at - ended, values - taken.air[-1][1], bin_width(len(at)))
    try:
        rise, u = settled_by_cooling(t, y, ended)
    except ValueError:
        return []
    if not math.isfinite(u) or u > abs(rise):
        return []  # too short to tell
    line = Contribution(basis=Basis.REPEATS, u=u, note="full fit to the cooling, residuals that remember")
    return [_of("rise_by_cooling", rise, "K", taken.sensor.origin, (line, *taken.air_budget))]


def _disagreement(found: Estimate, cooled: list[Reading]) -> str:
    """Heating and cooling tell the same rise unless something changed in between, or is no thermal path at all."""
    from verifier.gather.heating.looks import standard_uncertainty

    for reading in cooled:
        other = float(reading.value)
        u = math.hypot(standard_uncertainty(found.rise), reading.contributions[0].u)
        if abs(other - found.value) > 3 * u + 0.05 * abs(found.value):
            return f"heating tells a settled rise of {found.value:.1f} K, cooling one of {other:.1f} K"
    return ""
