"""What a check of the clock's retention is told, and how long the power has to be away by its limits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from verifier.gather.timekeeping.crystal import from_room
from verifier.gather.timekeeping.dwell import Dwell, Ends, longest, words
from verifier.gather.timekeeping.references import ClockSettings
from verifier.readings import Bound, Forecast

LONGEST = 30 * 86_400.0
"""Seconds without power at the most."""


@dataclass(frozen=True, kw_only=True)
class RetentionSettings(ClockSettings):
    holds_up: float
    """For how many seconds the clock goes on without its cell when the power goes away: its capacitors."""
    dwell: float = 0.0
    """For how many seconds the power is to be away; 0 takes the shortest that decides the limits."""
    jump: float = 2.0
    """A change by more than so many seconds is a lost time, whatever the rate."""
    unplug: str = "the supply plug, and every cable that could feed the unit"
    """What has to be pulled so that all power is away."""
    battery_out: bool = False
    """True where the unit's main battery is taken out with it. A main battery feeds the clock, so that nothing is
    shown of the cell while it is in."""
    temperature: float | None = None
    """How warm the clock is meanwhile, in Cel; corrects the rate to 25 Cel. Left out: no such correction."""
    temperature_within: float = 3.0
    """Firm bounds of that, in K."""
    thermometer: str = ""
    """Instead of temperature: a thermometer of the bench beside the unit, read at both ends."""

    def __post_init__(self) -> None:
        ClockSettings.__post_init__(self)
        if not 0 <= self.holds_up <= 7 * 86_400:
            raise ValueError("holds_up lies between 0 s and a week")
        if not 0.5 <= self.jump <= 3600:
            raise ValueError("jump lies between 0.5 and 3600 s")
        if self.dwell and not self.least <= self.dwell <= LONGEST:
            raise ValueError(
                f"dwell is at least {self.least:g} s here: longer than the clock holds up without its cell, twice "
                "what counts as a jump beside; else a lost time is not seen"
            )
        if not (self.unplug.isprintable() and 0 < len(self.unplug) <= 200):
            raise ValueError("unplug is a short text")
        if self.temperature is not None and not (-60 <= self.temperature <= 150 and not self.thermometer):
            raise ValueError("temperature lies between -60 and 150 Cel, and stands instead of a thermometer")
        if not 0 <= self.temperature_within <= 50:
            raise ValueError("temperature_within lies between 0 and 50 K")

    @property
    def least(self) -> float:
        """The shortest dwell that shows a lost time: a clock that stops is then behind by more than a jump."""
        return self.holds_up + 2 * self.jump + 1

    @property
    def seconds(self) -> float:
        """How long the power is to be away."""
        return self.dwell or 2 * self.least


def forecast(settings: Mapping[str, Any], bounds: Sequence[Bound], risk: float) -> Forecast:
    """The dwell that decides, and a small table of what shorter and longer ones would."""
    given = RetentionSettings(**settings)
    dwells = [dwell for bound in bounds if (dwell := _dwell_for(given, bound, risk)) is not None]
    if not dwells:
        planned = given.seconds
        line = f"Power away for {words(planned)}, to show whether the time is kept. No rate is decided."
        return Forecast(settings={**settings, "dwell": planned}, words=(line,))
    hardest = longest(dwells)
    least = 2 * given.least
    seconds = given.dwell or max(least, hardest.planned)
    bounds_words = f"± {1000 * given.reference_bounds:g} ms reference, ± {1000 * given.look_bounds:g} ms look"
    if hardest.shortest == math.inf:
        return Forecast(
            settings={**settings, "dwell": given.dwell or least},
            problem=f"no dwell decides ± {hardest.within:g} ppm: the temperature alone is known too badly",
            to_do="Give temperature_within smaller, or take the limit away.",
        )
    lines = (
        f"Power away for {words(seconds)}, to decide ± {hardest.within:g} ppm",
        f"({bounds_words}).",
        "A longer wait passes clocks nearer to the limit:",
    )
    problem = to_do = ""
    if seconds < hardest.shortest:
        problem = (
            f"a dwell of {words(seconds)} is too short: with {bounds_words} the rate is then known within "
            f"± {2 * hardest.ends.u(seconds):.3g} ppm, and ± {hardest.within:g} ppm could never pass"
        )
        to_do = f"Give at least {words(hardest.shortest)}, or better {words(hardest.planned)}."
    return Forecast(
        settings={**settings, "dwell": seconds},
        words=(*lines, *hardest.table(seconds)),
        problem=problem,
        to_do=to_do,
    )


def _dwell_for(settings: RetentionSettings, bound: Bound, risk: float) -> Dwell | None:
    if bound.reading not in ("rate", "rate_25") or risk <= 0 or bound.lower is None or bound.upper is None:
        return None  # without uncertainty, or to one side, any time decides something
    floor = 0.0
    if bound.reading == "rate_25" and settings.temperature is not None:
        _, known = from_room(settings.temperature, settings.temperature_within)
        floor = sum(c.u**2 for c in known) ** 0.5
    ends = Ends(reference=settings.reference_bounds, look=settings.look_bounds, floor=floor)
    half = (bound.upper - bound.lower) / 2
    return Dwell(within=half, risk=risk, ends=ends) if half > 0 else None
