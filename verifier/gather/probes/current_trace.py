"""The current of a unit over time, as a meter or the supply's own meter shows it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING

from verifier.gather.probes.measuring import FeedSettings, measurable, of_values
from verifier.gather.probes.phases import noise_of
from verifier.readings import Basis, Contribution, Reading, Series

if TYPE_CHECKING:
    from verifier.gather.instruments.bench import InstrumentHost


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceSettings(FeedSettings):
    """How a unit is fed and its current is watched."""

    meter: str = ""
    """Instrument that measures the current; empty: the supply's own meter."""
    range: float | None = None
    """Range to measure in, in A; an instrument that chooses its own range misses what is short."""
    interval: float = 0.02
    """Seconds between two values, beside what the instrument itself needs."""

    def refuse_odd(self) -> None:
        FeedSettings.refuse_odd(self)
        if not 0 <= self.interval <= 10:
            raise ValueError(f"interval is from 0 to 10 s, not {self.interval:g}")


@dataclass(slots=True)
class CurrentTrace:
    """Samples with their moments, in seconds since `zero`."""

    here: InstrumentHost
    settings: TraceSettings
    zero: float
    times: list[float] = field(default_factory=list)
    values: list[float] = field(default_factory=list)

    @classmethod
    async def begin(cls, here: InstrumentHost, settings: TraceSettings) -> CurrentTrace:
        """Look whether the current can be measured, and by the instrument that was meant. Nothing is on yet."""
        meter = settings.meter or settings.instrument
        measurable(here, meter, "current", "A", settings.range)
        await here.bench.identify(meter)
        return cls(here, settings, here.clocks.loop())

    @property
    def meter(self) -> str:
        return self.settings.meter or self.settings.instrument

    @property
    def now(self) -> float:
        return self.here.clocks.loop() - self.zero

    async def switch_on(self) -> float:
        """Feed the unit; the moments count from here. Seconds by which the moment may be wrong, to either side."""
        took = await self.here.bench.switch_on(self.settings.instrument, self.settings.demands(), self.here.lease)
        self.zero = self.here.clocks.loop() - took / 2
        return took / 2

    async def sample(self) -> float:
        """One more value, at the moment halfway between asking and answer."""
        asked = self.now
        value = await self.here.bench.measure(self.meter, "current", self.settings.range)
        self.times.append((asked + self.now) / 2)
        self.values.append(value)
        return value

    async def watch(self, seconds: float, until: Callable[[], bool] = lambda: False) -> None:
        """Take values for so many seconds, two at the least, or until something is so."""
        end, least = self.now + seconds, len(self.values) + 2
        while (self.now < end or len(self.values) < least) and not until():
            await self.sample()
            await self.here.bench.wait(self.settings.interval)

    def since(self, moment: float) -> list[float]:
        """The values from a moment on."""
        return [v for t, v in zip(self.times, self.values, strict=True) if t >= moment]

    @property
    def step(self) -> float:
        """Seconds between two values, as it came out: their median."""
        gaps = [b - a for a, b in zip(self.times, self.times[1:], strict=False)]
        return median(gaps) if gaps else self.settings.interval

    @property
    def floor(self) -> float:
        """The least change in A that means anything: ten steps of the finest range."""
        described = measurable(self.here, self.meter, "current", "A", self.settings.range)
        return 10 * min(accuracy.resolution for accuracy in described.ranges)

    def floor_above(self, quiet: list[float]) -> float:
        """The same, and above six standard deviations of a quiet stretch."""
        return max(self.floor, 6 * noise_of(quiet))

    def reading(self, name: str, values: list[float], *, series: Series | None = None) -> Reading:
        """The mean of some of its values, with the uncertainty of the meter and their scatter."""
        return of_values(
            self.here, self.meter, "current", "A", name, values, in_range=self.settings.range, series=series
        )

    def series(self) -> Series | None:
        """The whole trace at a fixed step; where more than one value falls into a step, the greatest."""
        step = self.step
        if len(self.values) < 2 or step <= 0:
            return None
        first, kept = self.times[0], [self.values[0]]
        for t, value in zip(self.times[1:], self.values[1:], strict=True):
            place = round((t - first) / step)
            if place < len(kept):
                kept[place] = max(kept[place], value)
            else:
                kept += [*[kept[-1]] * (place - len(kept)), value]
        return Series(t0=first, dt=step, values=tuple(kept))

    def moment(self, name: str, seconds: float, *, note: str, begin: float) -> Reading:
        """A length of time whose end shows within a step and whose beginning is known within ± `begin` seconds."""
        return Reading(
            name=name,
            value=max(0.0, seconds),
            unit="s",
            origin=self.here.bench.origin(self.meter),
            contributions=(
                Contribution.resolution(self.step, note=f"a value every {self.step:.3g} s"),
                Contribution.half_width(begin, basis=Basis.RESOLUTION, note=note),
            ),
        )
