"""What a unit draws while it starts: off, standby, start, idle, with its shape over time."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.gather.instruments.services import ENERGISE, INSTRUMENTS
from verifier.gather.probes.current_trace import CurrentTrace, TraceSettings
from verifier.gather.probes.instruments import CAUTION, SOURCES
from verifier.gather.probes.measuring import bench_of, stayed_on, stays_on
from verifier.gather.probes.phases import longest_at_limit, segment, standing_at_limit
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host
from verifier.steps import Cue

OFF_SAMPLES = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings(TraceSettings):
    first: str = ""
    """What the technician does before it is fed, as they read it; empty: nothing, it is connected."""
    button: bool = False
    """Whether the technician presses the power button; without it the unit starts by itself when it is fed."""
    standby: float = 5.0
    """With button: seconds that the unit is fed before the press; the second half of them is its standby."""
    seconds: float = 60.0
    """How long it is watched from its start on, 1 to 600 s: longer than the slowest good unit takes to idle."""
    steady: float = 5.0
    """Seconds that the current has to keep within the band to count as settled."""
    band: float = 10.0
    """Width of the band to either side, in percent of the idle current, 1 to 50."""
    overload: float = 2.0
    """Seconds at the current limit after which it is switched off: a short circuit is not fed on."""

    def __post_init__(self) -> None:
        self.refuse_odd()
        if not 1 <= self.seconds <= 600 or not 0.2 <= self.steady <= self.seconds:
            raise ValueError("seconds is 1 to 600, and steady from 0.2 to as many")
        if not 0.5 <= self.standby <= 600 or not 0.1 <= self.overload <= 600:
            raise ValueError("standby is 0.5 to 600 s, overload 0.1 to 600 s")
        if len(self.first) > 300 or not self.first.isprintable():
            raise ValueError("first is a text of at most 300 characters without line breaks")
        if not 1 <= self.band <= 50:
            raise ValueError("band is 1 to 50 percent")


class Signature:
    declaration = ProbeDeclaration(
        name="supply.signature",
        title="Supply current from off to idle",
        what=(
            "Feeds the unit from a bench supply and watches its current: off, standby, start, idle, and when. "
            "Where the suite says so, the technician presses the power button when asked. A unit that draws what "
            "a good one draws, in the same time, has started, whatever it shows or says. The report draws the "
            "trace. Single wild values and short dropouts decide nothing; dropouts are counted. What is shorter "
            "than the time between two values, such as the first milliseconds of an inrush, no bench meter shows. "
            "Give the check a timeout above standby and seconds together. " + CAUTION
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(
                name="off", kind="number", unit="A", what="Before it is fed: the meter's zero, or another source."
            ),
            ReadingDeclaration(
                name="standby", kind="number", unit="A", what="Fed and not started; with button.", optional=True
            ),
            ReadingDeclaration(
                name="started", kind="yes-no", what="Whether the current rose, after the press where there is one."
            ),
            ReadingDeclaration(
                name="peak",
                kind="number",
                unit="A",
                what="The largest value since it was fed, as it showed.",
            ),
            ReadingDeclaration(
                name="start", kind="number", unit="A", what="Mean from the rise until it settled.", optional=True
            ),
            ReadingDeclaration(name="settled", kind="yes-no", what="Whether it was steady at the end."),
            ReadingDeclaration(
                name="current", kind="number", unit="A", what="At the end, settled or not; with the whole trace."
            ),
            ReadingDeclaration(
                name="idle", kind="number", unit="A", what="The same, where it settled.", optional=True
            ),
            ReadingDeclaration(
                name="time_to_idle",
                kind="number",
                unit="s",
                what="From the rise (with button) or from being fed until it was steady for good.",
                optional=True,
            ),
            ReadingDeclaration(
                name="dropouts",
                kind="number",
                unit="1",
                what="How often it fell below half of idle and came back, once settled.",
            ),
            ReadingDeclaration(
                name="at_limit", kind="number", unit="s", what="The longest that it stood at the current limit."
            ),
            stays_on("supply"),
        ),
        services=(INSTRUMENTS, ENERGISE),
        sources=(*SOURCES, "JCGM 100, 4.2; noise by 1.4826 times the median absolute deviation (from memory)"),
        example="""\
[[checks]]
id = "supply-signature"
title = "Starts as a good unit does"
probe = "supply.signature"
settings = { instrument = "supply", voltage = 19.0, current_limit = 3.0, button = true, seconds = 60.0 }
needs = ["supply"]
timeout = "90 s"
limits = [
  { reading = "standby", at_most = 12, unit = "mA", source = "port table of the model" },
  { reading = "settled", is = true, source = "judgement" },
  { reading = "idle", nominal = 0.31, tolerance = 0.05, unit = "A", source = "port table of the model" },
  { reading = "time_to_idle", at_most = 40, unit = "s", source = "study of 30 good units" },
]
""",
        cues=True,
        lasts=lambda settings: settings.seconds,
        timeout=120.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises NotPossible where the current cannot be measured to a specification."""
        here = bench_of(host)
        if settings.button or settings.first:
            later = "Leave its power button alone until you are asked to press it. " if settings.button else ""
            feed = f"The unit is then fed with {settings.voltage:g} V. {later}Ready?"
            yield Cue(say=f"{settings.first} {feed}".strip(), wait=True)
        trace = await CurrentTrace.begin(here, settings)
        for _ in range(OFF_SAMPLES):
            await trace.sample()
        off = list(trace.values)
        yield trace.reading("off", off)
        trace.times, trace.values = [], []
        unsure = await trace.switch_on()

        def shorted() -> bool:
            return standing_at_limit(trace.times, trace.values, settings.current_limit) >= settings.overload

        since, before, quiet = 0.0, sum(off) / len(off), off
        if settings.button:
            await trace.watch(settings.standby, shorted)
            quiet = trace.since(settings.standby / 2) or trace.values[-2:]
            standby = trace.reading("standby", quiet)
            yield standby
            before = float(standby.value)
            if not shorted():
                yield Cue(say="Press the power button now, once and briefly.", act="press")
            since = trace.now
        await trace.watch(settings.seconds, shorted)
        on = await stayed_on(here, settings.instrument)
        await here.bench.still(settings.instrument)
        found = segment(
            trace.times,
            trace.values,
            before=before,
            since=since,
            steady=settings.steady,
            band=settings.band / 100,
            floor=trace.floor_above(quiet),
        )
        tail = [trace.values[n] for n in found.tail]
        origin = here.bench.origin(trace.meter)
        yield Reading(name="started", value=found.rise is not None, origin=origin, exact=True)
        yield trace.reading("peak", [max(trace.values)])
        settled = found.settled is not None and not shorted()
        yield Reading(name="settled", value=settled, origin=origin, exact=True)
        yield trace.reading("current", tail, series=trace.series())
        if settled:
            yield trace.reading("idle", tail)
        if found.rise is not None and found.settled is not None and settled:
            if starting := [
                v for t, v in zip(trace.times, trace.values, strict=True) if found.rise <= t < found.settled
            ]:
                yield trace.reading("start", starting)
            begin, unknown, note = 0.0, unsure, "when the output went on"
            if settings.button:
                begin, unknown, note = found.rise, trace.step, "the rise shows within a step"
            yield trace.moment("time_to_idle", found.settled - begin, begin=unknown, note=note)
        yield Reading(name="dropouts", value=found.dropouts, unit="1", origin=origin, exact=True)
        at_limit = longest_at_limit(trace.times, trace.values, settings.current_limit)
        yield trace.moment("at_limit", at_limit, begin=trace.step, note="it begins within a step")
        yield on
