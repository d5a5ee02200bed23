"""How fast a unit's clock runs while it is on: many readings against a reference, and a line through them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot
from typing import Any

from verifier.errors import NotPossible
from verifier.gather.timekeeping.dwell import PPM, Dwell, Ends, longest, words
from verifier.gather.timekeeping.evidence import set_by_system
from verifier.gather.timekeeping.looking import clock_shown, look_at
from verifier.gather.timekeeping.references import ClockSettings, true_time
from verifier.readings import (
    Basis,
    Bound,
    Contribution,
    Forecast,
    ProbeDeclaration,
    Reading,
    ReadingDeclaration,
    Series,
)
from verifier.services import Fix, Host
from verifier.steps import Step

MOST = 5000
LONGEST = 7 * 86_400.0


@dataclass(frozen=True, kw_only=True)
class Settings(ClockSettings):
    readings: int = 10
    """How many readings; 3 to 5000."""
    interval: float = 60.0
    """Seconds from one to the next; 10 at the least, since a look at the clock takes some."""
    average: int = 1
    """Over how many intervals the Allan deviation averages; needs twice as many readings and one more."""

    def __post_init__(self) -> None:
        ClockSettings.__post_init__(self)
        if not (3 <= self.readings <= MOST and 10 <= self.interval <= 86_400 and self.average >= 1):
            raise ValueError("readings lie between 3 and 5000, interval between 10 s and a day, average from 1 on")
        if self.span > LONGEST:
            raise ValueError("readings and interval make more than a week")
        if self.reference == "key":
            raise ValueError("nobody presses a key for every reading: take another reference")

    @property
    def span(self) -> float:
        """Seconds from the first reading to the last."""
        return (self.readings - 1) * self.interval


def forecast(settings: Mapping[str, Any], bounds: Sequence[Bound], risk: float) -> Forecast:
    """Whether the readings take long enough for the limits on the rate, with the table of other lengths."""
    given = Settings(**settings)
    ends = Ends(reference=given.reference_bounds, look=given.look_bounds)
    dwells = [
        Dwell(within=(b.upper - b.lower) / 2, risk=risk, ends=ends)
        for b in bounds
        if b.reading == "rate" and risk > 0 and b.lower is not None and b.upper is not None and b.upper > b.lower
    ]
    if not dwells:
        return Forecast(settings=settings)
    hardest = longest(dwells)
    lines = (
        f"Readings over {words(given.span)}, to decide ± {hardest.within:g} ppm.",
        "Longer passes clocks nearer to the limit:",
        *hardest.table(given.span, "readings over"),
    )
    if given.span >= hardest.shortest:
        return Forecast(settings=settings, words=lines)
    return Forecast(
        settings=settings,
        words=lines,
        problem=(
            f"readings over {words(given.span)} are too few: the rate is then known within "
            f"± {2 * ends.u(given.span):.3g} ppm, and ± {hardest.within:g} ppm could never pass"
        ),
        to_do=f"Let them take {words(hardest.shortest)} at least, or better {words(hardest.planned)}.",
    )


class Rate:
    declaration = ProbeDeclaration(
        name="clock.rate",
        title="Rate of the clock",
        what=(
            "Reads the unit's clock against a reference again and again, and lays a line through how far it is "
            "ahead: the rate with its uncertainty from the scatter and from what both ends are known within, and "
            "the overlapping Allan deviation with its 95 % interval. Give the check a `timeout` that is longer "
            "than the readings take. A clock that the unit's system keeps right has no rate of its own."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(
                name="runs", kind="yes-no", what="Whether it showed a time that went on, at every reading."
            ),
            *(
                ReadingDeclaration(name=name, kind="number", unit=unit, what=what, optional=True)
                for name, unit, what in (
                    ("rate", "[ppm]", "Slope of the line; fast is positive."),
                    ("ahead", "s", "How far ahead the line has the clock at the end."),
                    ("scatter", "s", "Standard deviation of the readings about the line."),
                    ("taken", "1", "Readings that the line goes through."),
                )
            ),
            ReadingDeclaration(
                name="allan_deviation",
                kind="number",
                unit="1",
                what="Overlapping Allan deviation of the frequency over `average` intervals.",
                optional=True,
            ),
            ReadingDeclaration(
                name="allan_lower", kind="number", unit="1", what="Lower end of its 95 % interval.", optional=True
            ),
            ReadingDeclaration(
                name="allan_upper", kind="number", unit="1", what="Upper end of its 95 % interval.", optional=True
            ),
        ),
        services=("reference",),
        sources=(
            "NIST SP 1065, 5.2.4 and 5.3 (overlapping Allan deviation, confidence)",
            "JCGM 100:2008, H.3 (line by least squares), 4.3.7 (firm bounds)",
            "Linux Documentation/ABI/testing/sysfs-class-rtc (since_epoch)",
        ),
        example="""\
[[checks]]
id = "clock-rate"
title = "Clock runs at its rate"
probe = "clock.rate"
settings = { reference = "network", server = "time.bench.example", readings = 31, interval = 60.0 }
timeout = "40 min"
limits = [
  { reading = "runs", is = true, source = "maker" },
  { reading = "rate", at_least = -30, at_most = 30, unit = "ppm", source = "maker" },
]
""",
        consults=True,
        forecast=forecast,
        lasts=lambda settings: settings.span,
        timeout=1200.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Step]:
        """Raises Absent without a clock, NotPossible where the system sets it, and as its reference does."""
        from verifier.gather.timekeeping.statistics import drift, stability

        if await set_by_system(host):
            raise NotPossible(
                "the unit's system keeps its clock right, so that it has no rate of its own",
                to_do="Stop the unit's time service, and take the check again.",
            )
        shown, origin = clock_shown(host, settings.clock, settings.send)
        moments, ahead, bounds, last = list[float](), list[float](), list[float](), tuple[Contribution, ...]()
        began = host.clocks.loop()
        for number in range(settings.readings):
            await host.clocks.sleep(max(0.0, began + number * settings.interval - host.clocks.loop()))
            fixes: list[Fix] = []
            async for step in true_time(host, settings, fixes):
                yield step
            look = await look_at(shown, host.clocks)
            if look is None:
                yield Reading(name="runs", value=False, origin=origin, exact=True)
                return
            last = (look.contribution, *fixes[0].contributions)
            bounds.append(hypot(*(c.u for c in last)))
            moments.append(look.at - began)
            ahead.append(look.ahead - (fixes[0].time - fixes[0].at))
        yield Reading(name="runs", value=True, origin=origin, exact=True)
        line = drift(moments, ahead)
        span = moments[-1] - moments[0]
        where = f"{origin}, against {fixes[0].origin}"[:1000]
        scatter = Contribution(
            basis=Basis.REPEATS,
            u=line.u * PPM,
            dof=line.dof,
            note=f"scatter of {len(ahead)} readings about a line",
        )
        ends = Contribution(
            basis=Basis.SPECIFICATION,
            u=hypot(bounds[0], bounds[-1]) / span * PPM,
            note="what the first and the last reading are known within",
        )
        yield Reading(
            name="rate", value=line.rate * PPM, unit="[ppm]", origin=where, contributions=(scatter, ends)
        )
        series = Series(t0=moments[0], dt=span / (len(moments) - 1), values=tuple(ahead))
        about = Contribution(basis=Basis.REPEATS, u=line.scatter, dof=line.dof, note="scatter about the line")
        yield Reading(
            name="ahead", value=line.at_end, unit="s", origin=where, contributions=(about, *last), series=series
        )
        yield Reading(name="scatter", value=line.scatter, unit="s", origin=where, exact=True)
        yield Reading(name="taken", value=len(ahead), unit="1", origin=where, exact=True)
        if len(ahead) >= 2 * settings.average + 1:
            found = stability(ahead, span / (len(moments) - 1), settings.average)
            plain = Reading(name="allan_deviation", value=found.deviation, unit="1", origin=where, exact=True)
            yield plain
            yield replace(plain, name="allan_lower", value=found.lower)
            yield replace(plain, name="allan_upper", value=found.upper)
