"""The supply of a USB port by the bench's meter and electronic load: without load, with load, what is between."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from verifier.declare.usb_ports import USB_PORTS, VBUS_PROBE
from verifier.gather.instruments.services import ENERGISE, INSTRUMENTS
from verifier.gather.probes.instruments import CAUTION, SOURCES
from verifier.gather.probes.measuring import Sampling, bench_of, has_accuracy, mean, sampling, stayed_on, stays_on
from verifier.readings import Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host
from verifier.steps import Cue

if TYPE_CHECKING:
    from verifier.gather.instruments.bench import InstrumentHost

PortKind = Literal["usb2-a", "usb3-a", "usb2-c", "usb3-c", "usb-c-1.5a", "usb-c-3a"]


@dataclass(frozen=True, slots=True)
class Settings:
    instrument: str
    """Which electronic load of the station, by the name of its file."""
    port: PortKind
    """Type of the port: what it must give, and between which voltages, follows from it."""
    meter: str = ""
    """Instrument that measures the voltage, at the port; empty: the load itself, with its lead in the drop."""
    current: float = 0.0
    """Current to draw, in A; 0 for what a port of this type must give. At most the station's ceiling."""
    label: str = ""
    """What is printed beside the socket: the technician is asked to plug the load in there. Empty: it is in."""
    turn: bool = False
    """Type-C: whether the technician turns the plug over, for a second pass the other way up."""
    settle: float = 1.0
    """Seconds between drawing the current and measuring."""
    samples: int = 5
    """How many values are taken and averaged."""
    interval: float = 0.1
    """Seconds between two values."""

    def __post_init__(self) -> None:
        sampling(self.samples, self.interval)
        if self.port not in USB_PORTS:
            raise ValueError(f"port is one of {', '.join(USB_PORTS)}")
        if not 0 <= self.current <= 10 or not 0 <= self.settle <= 3600:
            raise ValueError("current is 0 to 10 A, settle 0 to 3600 s")
        if self.turn and not USB_PORTS[self.port].turns:
            raise ValueError("only a Type-C plug can be turned over")
        if len(self.label) > 100 or not self.label.isprintable():
            raise ValueError("label is a short text without line breaks")

    @property
    def drawn(self) -> float:
        return self.current or USB_PORTS[self.port].current

    def often(self) -> Sampling:
        return {"samples": self.samples, "interval": self.interval}

    def demands(self) -> Mapping[str, float]:
        return {"current": self.drawn}


def _declared(suffix: str, when: str) -> tuple[ReadingDeclaration, ...]:
    always = not suffix
    rows = (
        ("unloaded", "V", always, "Voltage without load"),
        ("loaded", "V", always, "Voltage with load"),
        ("drop", "V", always, "What the load takes off the voltage"),
        ("current", "A", False, "Current really drawn, where the load's own meter has a specification"),
        ("source_resistance", "Ohm", False, "The drop over that current: port and plug, or with the load's lead"),
    )
    return tuple(
        ReadingDeclaration(
            name=f"{name}{suffix}", kind="number", unit=unit, what=f"{what}{when}.", optional=not sure
        )
        for name, unit, sure, what in rows
    )


class Vbus:
    declaration = ProbeDeclaration(
        name=VBUS_PROBE,
        title="Supply of a USB port, without and with load",
        what=(
            "Measures the supply pin of a USB port, draws the current that a port of its type must give, measures "
            "again, and lets go: open-circuit and loaded voltage, the drop, the current really drawn and the "
            "effective resistance of the source. The guide has the table of types and limits, and lint warns of "
            "limits wider than the standard. With turn, the technician turns a Type-C plug over and all is "
            "measured again. The load is on only while it measures. " + CAUTION
        ),
        settings=Settings,
        readings=(
            *_declared("", ""),
            *_declared("_turned", " with the plug turned over"),
            stays_on("load"),
        ),
        services=(INSTRUMENTS, ENERGISE),
        sources=(*SOURCES, "JCGM 100, 5.1.2 (budget of the drop and of the resistance)"),
        example="""\
[[checks]]
id = "port-1-supply"
title = "Port 1 holds its voltage under load"
probe = "usb.vbus"
settings = { instrument = "load", port = "usb3-a", label = "1" }
needs = ["load"]
timeout = "5 min"
limits = [
  { reading = "unloaded", at_least = 4.75, at_most = 5.5, unit = "V", source = "USB 2.0, 7.2.2" },
  { reading = "loaded", at_least = 4.75, at_most = 5.5, unit = "V", source = "USB 2.0, 7.2.2" },
  { reading = "current", at_least = 0.88, unit = "A", source = "USB 3.x, 11.4, within 2 % by the load" },
]
""",
        cues=True,
        timeout=60.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises NotPossible where the voltage cannot be measured to a specification."""
        here = bench_of(host)
        socket = f"the socket marked {settings.label}" if settings.label else "the socket"
        await here.bench.identify(settings.meter or settings.instrument)
        if settings.label:
            yield Cue(say=f"Plug the load into {socket}. Done?", wait=True, act="load", at=settings.label)
        for turned in (False, True) if settings.turn else (False,):
            suffix = "_turned" if turned else ""
            if turned:
                yield Cue(
                    say=f"Pull the plug of the load out of {socket}, turn it over, push it in. Done?", wait=True
                )
            unloaded, loaded, current, on = await _pass(here, settings)
            yield replace(unloaded, name=f"unloaded{suffix}")
            yield replace(loaded, name=f"loaded{suffix}")
            drop = _drop(unloaded, loaded)
            yield replace(drop, name=f"drop{suffix}")
            if current is not None:
                yield replace(current, name=f"current{suffix}")
                if float(current.value) > 0:
                    yield replace(_resistance(drop, current), name=f"source_resistance{suffix}")
            if not on.value:
                break  # its trip is there for a reason: not again
        yield on


async def _pass(here: InstrumentHost, settings: Settings) -> tuple[Reading, Reading, Reading | None, Reading]:
    """One way up: unloaded, loaded, current where it can be told, whether the load stayed on; then it is off."""
    load, meter, often = settings.instrument, settings.meter or settings.instrument, settings.often()
    unloaded = await mean(here, meter, "voltage", "V", "unloaded", **often)
    await here.bench.switch_on(load, settings.demands(), here.lease)
    await here.bench.wait(settings.settle)
    loaded = await mean(here, meter, "voltage", "V", "loaded", **often)
    current = None
    if has_accuracy(here, load, "current"):
        current = await mean(here, load, "current", "A", "current", **often)
    on = await stayed_on(here, load)
    await here.bench.still(load)
    await here.bench.make_safe(load)
    # A few values for a mean are no shape over time worth a drawing.
    unloaded, loaded = replace(unloaded, series=None), replace(loaded, series=None)
    return unloaded, loaded, replace(current, series=None) if current else None, on


def _drop(unloaded: Reading, loaded: Reading) -> Reading:
    """The difference, by JCGM 100, 5.1.2 eq. 10: both sensitivities are 1.

    What both values have in common (the same meter in the same range) would largely cancel; no data sheet says how
    much, so they count as independent, which can only make the uncertainty larger.
    """
    return Reading(
        name="drop",
        value=float(unloaded.value) - float(loaded.value),
        unit="V",
        origin=unloaded.origin,
        contributions=(*_scaled(unloaded, 1.0), *_scaled(loaded, 1.0)),
    )


def _resistance(drop: Reading, current: Reading) -> Reading:
    """R = U/I; sensitivities 1/I to the drop and U/I² to the current (JCGM 100, 5.1.2 and 5.1.3)."""
    volts, amperes = float(drop.value), float(current.value)
    return Reading(
        name="source_resistance",
        value=volts / amperes,
        unit="Ohm",
        origin=f"{drop.origin}; {current.origin}"[:1000],
        contributions=(*_scaled(drop, 1 / amperes), *_scaled(current, abs(volts) / amperes**2)),
    )


def _scaled(reading: Reading, sensitivity: float) -> tuple[Contribution, ...]:
    """The budget of a reading as part of another one's."""
    note = "" if reading.name == "drop" else f"{reading.name}: "
    return tuple(replace(c, u=c.u * sensitivity, note=f"{note}{c.note}") for c in reading.contributions)
