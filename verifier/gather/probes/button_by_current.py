"""A power button that nobody can watch: presses asked for at unforeseen moments, the supply current as witness."""

from __future__ import annotations

import random
from bisect import bisect_left
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from statistics import median

from verifier.errors import NotPossible
from verifier.gather.instruments.services import ENERGISE, INSTRUMENTS
from verifier.gather.probes.current_trace import CurrentTrace, TraceSettings
from verifier.gather.probes.instruments import CAUTION
from verifier.gather.probes.measuring import bench_of, stayed_on, stays_on
from verifier.gather.probes.phases import steady_tail
from verifier.gather.probes.presses import Press, demonstration, matched, trials_needed
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host, chance_of
from verifier.steps import Cue

AGREE = 3
"""Values in a row that have to show a change: a wild one is no witness."""
SHORTEST_GAP = 1.0
"""Seconds that the current has rested, at the least, before a press is asked for."""
TRIES = 5
"""How often a gap begins anew because the current changed unasked, before the press is asked for all the same."""
_COUNTS = (
    ("asked", "Presses asked for."),
    ("registered", "Presses that the current answered, in time or late."),
    ("missed", "Presses that were asked for and changed nothing."),
    ("late", "Those of the registered that came after the patience was over."),
    ("unasked", "Changes that nobody had asked for."),
    ("undone", "Changes after which the current came back to where it was: pressed twice, or it did not stay on."),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings(TraceSettings):
    interval: float = 0.05
    """Seconds between two values, beside what the instrument itself needs."""
    change: float
    """Least change of the current in A that shows a press: half of what a press does to a good unit."""
    presses: int = 10
    """How many presses are asked for, 1 to 500. Without a miss 10 demonstrate that 74 % register, 59 that 95 %
    do, both at 95 % confidence."""
    patience: float = 4.0
    """Seconds that technician and unit have for each, 0.5 to 60."""
    longest_gap: float = 4.0
    """The longest that a cue lets the technician wait, in seconds, 1 to 30: its moment is chance."""
    steady: float = 4.0
    """Seconds within a band of half the change that count as rest: longer than any pause on the way to idle."""
    longest_rest: float = 120.0
    """Seconds that it may take to come to rest, 1 to 600: as long as the unit takes to start or to stop."""

    def __post_init__(self) -> None:
        self.refuse_odd()
        if not 0 < self.change < self.current_limit:
            raise ValueError("change lies between 0 and the current limit")
        if not 1 <= self.presses <= 500:
            raise ValueError("presses is a whole number from 1 to 500")
        if not 0.5 <= self.patience <= 60 or not SHORTEST_GAP <= self.longest_gap <= 30:
            raise ValueError("patience is 0.5 to 60 s, longest_gap 1 to 30 s")
        if not 0.2 <= self.steady <= 60 or not 1 <= self.longest_rest <= 600:
            raise ValueError("steady is 0.2 to 60 s, longest_rest 1 to 600 s")


@dataclass(slots=True)
class _Witness:
    """Tells changes of the current from what it was when it last rested."""

    trace: CurrentTrace
    settings: Settings
    level: float | None = None
    """Where it rests; None from a change until it rests again."""
    changes: list[float] = field(default_factory=list)
    """When each change began."""
    undone: int = 0
    _before: float | None = None

    def _changed(self) -> bool:
        last = self.trace.values[-AGREE:]
        if self.level is None or len(last) < AGREE:
            return False
        away = [value - self.level for value in last]
        if not (min(away) >= self.settings.change or max(away) <= -self.settings.change):
            return False
        self.changes.append(self.trace.times[-AGREE])
        self._before, self.level = self.level, None
        return True

    async def wait(self, seconds: float) -> bool:
        """Watch for so many seconds, or until it changes; whether it did."""
        before = len(self.changes)
        await self.trace.watch(seconds, self._changed)
        return len(self.changes) > before

    async def rest(self) -> None:
        """Wait until it rests, and note a change on the way. NotPossible where it never does."""
        settings, trace = self.settings, self.trace
        begun, first = trace.now, len(trace.values)

        def rests() -> bool:
            if self._changed() or trace.now - begun < settings.steady:
                return False
            recent = max(first, bisect_left(trace.times, trace.now - 2 * settings.steady))
            times, values = trace.times[recent:], trace.values[recent:]
            floor = settings.change / 2
            return steady_tail(times, values, steady=settings.steady, band=0.0, floor=floor).is_steady

        await trace.watch(settings.longest_rest, rests)
        if not rests():
            raise NotPossible(
                f"the current did not come to rest within {settings.longest_rest:g} s, so that it is no witness"
            )
        level = median(trace.since(trace.times[-1] - settings.steady))
        if self.level is None and self._before is not None and abs(level - self._before) < settings.change / 2:
            self.undone += 1
        self.level = level


class PressesByCurrent:
    declaration = ProbeDeclaration(
        name="button.by_current",
        title="Power button, pressed, with the supply current as witness",
        what=(
            "For a power button that cannot be watched: feeds the unit from a bench supply, has the technician "
            "press at moments that chance decides, each time after the current has come to rest, and takes a "
            "change of the current as witness. Each press has to change the current for good (off to on, on to "
            "standby); what a press does to a good unit is in its supply.signature. Counts mean what they mean in "
            "button.presses; bounces and hold times no current shows. Ten presses without a miss show little "
            f"(that 74 % register, at 95 % confidence): set presses = {trials_needed(0.95)} for 95 %. " + CAUTION
        ),
        settings=Settings,
        readings=(
            *(ReadingDeclaration(name=name, kind="number", unit="1", what=what) for name, what in _COUNTS),
            ReadingDeclaration(
                name="demonstrated",
                kind="number",
                unit="%",
                what="Without a miss: the share of presses that register at the least, at 95 % confidence.",
                optional=True,
            ),
            ReadingDeclaration(name="current", kind="number", unit="A", what="At the end; with the whole trace."),
            stays_on("supply"),
        ),
        services=(INSTRUMENTS, ENERGISE),
        sources=("Success-run theorem: R = (1 − C)^(1/N)", "SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5"),
        example="""\
[[checks]]
id = "button-by-current"
title = "Power button registers every press"
probe = "button.by_current"
settings = { instrument = "supply", voltage = 24.0, current_limit = 0.5, change = 0.03, presses = 10 }
needs = ["supply"]
timeout = "30 min"
limits = [
  { reading = "missed", at_most = 0, unit = "1", source = "maker" },
  { reading = "undone", at_most = 0, unit = "1", source = "maker" },
]
""",
        cues=True,
        timeout=3600.0,
    )

    def __init__(self, chance: random.Random | None = None) -> None:
        self._chance = chance

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises NotPossible where the current cannot be measured, or never comes to rest."""
        here, chance = bench_of(host), self._chance or chance_of(host, "presses")
        trace = await CurrentTrace.begin(here, settings)
        yield Cue(
            say=f"The unit is about to be fed with {settings.voltage:g} V. You will be asked {settings.presses} "
            "times to press its power button, at moments that chance decides. Press it once and briefly each "
            "time, and not before. Ready?",
            wait=True,
        )
        await trace.switch_on()
        witness, cues = _Witness(trace, settings), list[float]()
        await witness.rest()
        for number in range(1, settings.presses + 1):
            for _ in range(TRIES):
                if not await witness.wait(chance.uniform(SHORTEST_GAP, settings.longest_gap)):
                    break
                await witness.rest()
            yield Cue(say=f"Press now ({number} of {settings.presses})")
            cues.append(trace.now)
            await witness.wait(settings.patience)
            await witness.rest()
        on = await stayed_on(here, settings.instrument)
        await here.bench.still(settings.instrument)
        for reading in _readings(witness, cues, settings, here.bench.origin(trace.meter)):
            yield reading
        yield trace.reading("current", trace.since(trace.times[-1] - settings.steady), series=trace.series())
        yield on


def _readings(witness: _Witness, cues: list[float], settings: Settings, origin: str) -> list[Reading]:
    presses = [Press(at=at, held=None) for at in witness.changes]
    found = matched(cues, presses, patience=settings.patience)
    counts = {
        "asked": len(cues),
        "registered": found.in_time + found.late,
        "missed": found.missed,
        "late": found.late,
        # It rests between two changes, so that what looks doubled by the clock is a change nobody asked for.
        "unasked": found.unasked + found.doubled,
        "undone": witness.undone,
    }
    readings = [Reading(name=n, value=v, unit="1", origin=origin, exact=True) for n, v in counts.items()]
    if not found.missed:
        readings.append(demonstration(len(cues)))
    return readings
