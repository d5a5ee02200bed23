"""What the bench's instruments measure, set and draw. These readings are the bench's, whatever the host."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from verifier.errors import NotPossible
from verifier.gather.instruments.services import ENERGISE, INSTRUMENTS
from verifier.gather.probes.measuring import Sampling, bench_of, has_accuracy, mean, sampling, stayed_on, stays_on
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

SOURCES = (
    "SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5 (9.9E37 and 9.91E37 are no values)",
    "IEEE 488.2, 8.7 (numeric response data), 10.14 (*IDN?)",
    "JCGM 100, 4.3.7 (rectangular from a specification), 4.2.3 (scatter of the mean)",
)
CAUTION = "Switching off is a convenience of this program, not a safety function."


@dataclass(frozen=True, slots=True)
class ReadSettings:
    instrument: str
    """Which instrument of the station, by the name of its file."""
    range: float | None = None
    """Range to measure in, in the unit of the reading; without it the instrument chooses."""
    samples: int = 1
    """How many values are taken and averaged."""
    interval: float = 0.2
    """Seconds between two values."""
    relay: str = ""
    """Relay card that leads the point to the instrument, by the name of its file; empty where none is needed."""
    channel: int = 1
    """Contact of the relay card that is closed while measuring."""

    def __post_init__(self) -> None:
        sampling(self.samples, self.interval)


@dataclass(frozen=True, slots=True)
class SupplySettings:
    instrument: str
    """Which supply of the station, by the name of its file."""
    voltage: float
    """Voltage to set, in V; at most the station's ceiling."""
    current_limit: float
    """Current limit to set, in A; at most the station's ceiling."""
    settle: float = 0.5
    """Seconds between switching on and measuring."""
    samples: int = 3
    """How many values are taken and averaged."""
    interval: float = 0.1
    """Seconds between two values."""

    def __post_init__(self) -> None:
        sampling(self.samples, self.interval)
        if not (0 <= self.voltage < 1e4 and 0 < self.current_limit < 1e4 and 0 <= self.settle <= 3600):
            raise ValueError("voltage, current_limit and settle are positive and of reasonable size")

    def often(self) -> Sampling:
        return {"samples": self.samples, "interval": self.interval}

    def demands(self) -> Mapping[str, float]:
        return {"voltage": self.voltage, "current": self.current_limit}


@dataclass(frozen=True, slots=True)
class LoadSettings:
    instrument: str
    """Which electronic load of the station, by the name of its file."""
    current: float
    """Current to draw, in A; at most the station's ceiling."""
    meter: str = ""
    """Instrument that measures the voltage; empty: the load itself."""
    settle: float = 0.5
    """Seconds between switching on and measuring."""
    samples: int = 3
    """How many values are taken and averaged."""
    interval: float = 0.1
    """Seconds between two values."""

    def __post_init__(self) -> None:
        sampling(self.samples, self.interval)
        if not (0 < self.current < 1e4 and 0 <= self.settle <= 3600):
            raise ValueError("current and settle are positive and of reasonable size")

    def often(self) -> Sampling:
        return {"samples": self.samples, "interval": self.interval}

    def demands(self) -> Mapping[str, float]:
        return {"current": self.current}


class Measured:
    """One quantity, measured by an instrument; one probe a quantity, so that limits can be checked for units."""

    def __init__(self, quantity: str, unit: str, title: str, example: str) -> None:
        self._quantity, self._unit = quantity, unit
        self.declaration = ProbeDeclaration(
            name=f"instrument.{quantity}",
            title=title,
            what=(
                f"Measures {quantity} with an instrument of the bench that the station's folder describes. Its "
                "uncertainty comes from the accuracy specification there. Name the instrument in `needs` too."
            ),
            settings=ReadSettings,
            readings=(
                ReadingDeclaration(
                    name="value", kind="number", unit=unit, what="What it shows; the mean where samples are taken."
                ),
            ),
            services=(INSTRUMENTS,),
            sources=SOURCES,
            example=example,
            timeout=60.0,
        )

    async def take(self, host: Host, settings: ReadSettings) -> AsyncIterator[Reading]:
        here = bench_of(host)
        await here.bench.identify(settings.instrument)
        if settings.relay:
            await here.bench.identify(settings.relay)
            await here.bench.close_contact(settings.relay, settings.channel, here.lease)
        asked = here.clocks.loop()
        found = await mean(
            here, settings.instrument, self._quantity, self._unit, "value",
            samples=settings.samples, interval=settings.interval, in_range=settings.range,
        )  # fmt: skip
        if self._quantity == "time":
            found = _at_the_end(found, here.clocks.loop() - asked)
        if settings.relay:
            await here.bench.still(settings.relay)
        yield found


def _at_the_end(time: Reading, took: float) -> Reading:
    """A time that was right at some moment of an exchange, brought to its end; known within half of that."""
    half = Contribution.half_width(took / 2, basis=Basis.SPECIFICATION, note="half the time the answer took")
    return replace(time, value=float(time.value) + took / 2, contributions=(*time.contributions, half))


class Supply:
    declaration = ProbeDeclaration(
        name="instrument.supply",
        title="Supply a unit from a bench supply",
        what=(
            "Sets voltage and current limit of a supply and its trips, reads all of it back, switches on, "
            "measures with the supply's own meters, and switches off. The output is on only while the check "
            "lasts. " + CAUTION
        ),
        settings=SupplySettings,
        readings=(
            ReadingDeclaration(
                name="voltage", kind="number", unit="V", what="By the supply's own meter.", optional=True
            ),
            ReadingDeclaration(
                name="current", kind="number", unit="A", what="By the supply's own meter.", optional=True
            ),
            stays_on("supply"),
        ),
        services=(INSTRUMENTS, ENERGISE),
        sources=SOURCES,
        example="""\
[[checks]]
id = "idle-current"
title = "Current at 24 V, idle"
probe = "instrument.supply"
settings = { instrument = "supply", voltage = 24.0, current_limit = 0.5 }
needs = ["supply"]
limits = [
  { reading = "stayed_on", is = true, source = "judgement" },
  { reading = "current", nominal = 85, tolerance = 10, unit = "mA", source = "port table of the model" },
]
""",
        timeout=60.0,
    )

    async def take(self, host: Host, settings: SupplySettings) -> AsyncIterator[Reading]:
        """Raises NotPossible where the supply's own meters have no accuracy specification."""
        here, name, often = bench_of(host), settings.instrument, settings.often()
        own = [q for q in ("voltage", "current") if has_accuracy(here, name, q)]
        if not own:
            raise NotPossible(f"neither voltage nor current of {name} has an accuracy specification in its file")
        await here.bench.switch_on(name, settings.demands(), here.lease)
        await here.bench.wait(settings.settle)
        for quantity in own:
            unit = {"voltage": "V", "current": "A"}[quantity]
            yield await mean(here, name, quantity, unit, quantity, **often)
        yield await stayed_on(here, name)


class Load:
    declaration = ProbeDeclaration(
        name="instrument.load",
        title="Voltage without and with load",
        what=(
            "Measures a voltage, draws a current with an electronic load, measures it again, and lets go. The "
            "load is on only while the check lasts; its trip is set and read back first. " + CAUTION
        ),
        settings=LoadSettings,
        readings=(
            ReadingDeclaration(name="unloaded", kind="number", unit="V", what="Voltage before the load is on."),
            ReadingDeclaration(name="loaded", kind="number", unit="V", what="Voltage under load."),
            stays_on("load"),
        ),
        services=(INSTRUMENTS, ENERGISE),
        sources=SOURCES,
        example="""\
[[checks]]
id = "port-1-under-load"
title = "Port 1 holds its voltage at 0.9 A"
probe = "instrument.load"
settings = { instrument = "load", current = 0.9, meter = "meter" }
needs = ["load", "meter"]
limits = [
  { reading = "loaded", at_least = 4.75, at_most = 5.5, unit = "V", source = "USB 2.0, 7.2.2 (from memory)" },
  { reading = "stayed_on", is = true, source = "judgement" },
]
""",
        timeout=60.0,
    )

    async def take(self, host: Host, settings: LoadSettings) -> AsyncIterator[Reading]:
        here, name, often = bench_of(host), settings.instrument, settings.often()
        meter = settings.meter or name
        await here.bench.identify(meter)
        yield await mean(here, meter, "voltage", "V", "unloaded", **often)
        await here.bench.switch_on(name, settings.demands(), here.lease)
        await here.bench.wait(settings.settle)
        loaded = await mean(here, meter, "voltage", "V", "loaded", **often)
        await here.bench.still(name)
        yield loaded
        yield await stayed_on(here, name)


QUANTITIES = {
    "voltage": ("V", "5 V rail", "nominal = 5, tolerance = 0.25", "V"),
    "current": ("A", "Standby current", "nominal = 8, tolerance = 2", "mA"),
    "resistance": ("Ohm", "Fuse is whole", "at_most = 0.5", "Ohm"),
    "power": ("W", "Power at idle", "nominal = 6, tolerance = 1", "W"),
    "temperature": ("Cel", "Room temperature", "nominal = 23, tolerance = 5", "Cel"),
    "frequency": ("Hz", "Mains frequency", "nominal = 50, tolerance = 0.5", "Hz"),
    "pressure": ("Pa", "Pressure in the case", "nominal = 2000, tolerance = 40", "Pa"),
    "time": ("s", "Clock of the bench shows this century", "at_least = 1767225600", "s"),
}
"""Quantity to its unit, and of the example the title, the limit and the limit's unit."""


def probes() -> tuple[Any, ...]:
    """One probe a quantity, and those that switch something on."""
    measured = (
        Measured(quantity, unit, f"{quantity.capitalize()} by an instrument", _example(quantity, title, form, own))
        for quantity, (unit, title, form, own) in QUANTITIES.items()
    )
    return (*measured, Supply(), Load())


def _example(quantity: str, title: str, form: str, unit: str) -> str:
    return f"""\
[[checks]]
id = "bench-{quantity}"
title = "{title}"
probe = "instrument.{quantity}"
settings = {{ instrument = "meter", samples = 5 }}
needs = ["meter"]
limits = [{{ reading = "value", {form}, unit = "{unit}", source = "judgement" }}]
"""
