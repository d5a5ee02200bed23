"""A charge of the unit's own battery by the unit's own charger, watched through its gauge.

The charge ends when the battery is full or, at once, when something is wrong. Who ends it then: the unit where its
driver can be told to, and the technician who stays beside it.
"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import NotPossible, VerifierError
from verifier.gather.probes.attributes import number_of, text_of
from verifier.gather.probes.charging import (
    FULL,
    HARD,
    IN_A_ROW,
    NOT_CHARGING,
    Bounds,
    Charge,
    ChargeSettings,
    Known,
    Sample,
    hard_stop,
    readings_of,
)
from verifier.gather.probes.power import SUPPLIES, only_battery, step_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host
from verifier.steps import Cue

_MICRO = 1_000_000
TOLD_EVERY = 300.0
"""Seconds between two words to the technician on how it stands."""
CUTOFF = 0.05
"""A: what flows after the end of a charge at the most, for it to count as ended (judgement)."""
CAUTIONS = (
    "Lithium cells: never charge one that is swollen, dented, leaking, hot or smells; put it aside and tell the "
    "quality lead. Charge on a surface that does not burn, with nothing on or under the unit, and stay with it.",
    "A cell that hisses, smokes or swells: unplug if that is safe, leave it, clear the room, call for help; do "
    "not breathe the smoke.",
)

READINGS = (
    ReadingDeclaration(
        name="current",
        kind="number",
        unit="A",
        what="Greatest charging current, the mean of three samples in a row.",
    ),
    ReadingDeclaration(name="voltage_end", kind="number", unit="V", what="Voltage when the charge ended."),
    ReadingDeclaration(name="taper_current", kind="number", unit="A", what="Current when the charge ended."),
    ReadingDeclaration(name="hottest", kind="number", unit="Cel", what="Highest temperature of the cell."),
    ReadingDeclaration(
        name="charged",
        kind="number",
        unit="A.h",
        what="What went in: the current added up over time.",
    ),
    ReadingDeclaration(name="took", kind="number", unit="s", what="How long it was watched."),
    ReadingDeclaration(
        name="stopped_by",
        kind="text",
        what="What ended it: taper or full as it should be; else not-charging, temperature, cold, over-voltage, "
        "over-current, time or blind (it could no longer be watched).",
    ),
)
"""What every charge check gives."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings(ChargeSettings):
    highest_voltage: float
    """Over-voltage stop, in V: a little above the end of charge, by the cell's data sheet."""
    highest_current: float
    """Over-current stop, in A."""
    name: str = ""
    """Which battery, as the kernel calls it, such as BAT0; may be left out where the unit has one."""
    gauge_error: float = 0.0
    """Largest error of the gauge's current by its data sheet, in % of its value."""

    def __post_init__(self) -> None:
        if self.name and not re.fullmatch(r"(?!\.)[^\s/\x00]{1,60}", self.name):
            raise ValueError(f"{self.name!r} is no name of a battery, such as BAT0")
        if not 0 <= self.gauge_error <= 50:
            raise ValueError("gauge_error is 0 to 50 %")
        self.bounds()

    def bounds(self) -> Bounds:
        return self.bounds_with(self.highest_voltage, self.highest_current)


class BatteryCharge:
    declaration = ProbeDeclaration(
        name="power.charge",
        title="Charging the battery",
        what=(
            "Watches current, voltage and temperature while the unit charges its own battery, until it is full. "
            "Too hot or cold, over-voltage, over-current, too long or no longer to be watched: then it has "
            "to end at once. The unit is told so where its driver has charge_behaviour (it stays told until it is "
            "restarted), the technician is told to pull the plug, and `ended` says whether the gauge saw it end. "
            "The technician stays with the unit, unless the suite gives a reason not to and the unit can be told "
            "to stop. This is a convenience, not a safety function. How good the gauge is, its data sheet says."
        ),
        settings=Settings,
        readings=(
            *READINGS,
            ReadingDeclaration(
                name="ended",
                kind="yes-no",
                what="After a stop at once: whether the gauge then saw the charge end.",
                optional=True,
            ),
            ReadingDeclaration(
                name="touched",
                kind="text",
                what="After a stop at once: what was written to the unit, where it could be.",
                optional=True,
            ),
            ReadingDeclaration(
                name="attended", kind="text", what="That somebody stayed, or the suite's reason why nobody had to."
            ),
        ),
        services=("files", "commands"),
        energises="charges",
        sources=(
            "Linux Documentation/ABI/testing/sysfs-class-power (status, voltage_now, current_now, temp in "
            "1/10 °C, charge_behaviour)",
            "JCGM 100, 4.3.7 (rectangular from a specification), F.2.2.1 (resolution)",
        ),
        example="""\
[[checks]]
id = "charge"
title = "Battery takes a charge and ends it"
probe = "power.charge"
settings = { highest_voltage = 4.4, highest_current = 2.2, taper = 0.2, hottest = 45, gauge_error = 2 }
limits = [
  { reading = "stopped_by", one_of = ["taper", "full"], source = "data sheet of the cell" },
  { reading = "current", nominal = 1.9, tolerance = 0.2, unit = "A", source = "data sheet of the cell" },
  { reading = "voltage_end", nominal = 4.35, tolerance = 0.05, unit = "V", source = "data sheet of the cell" },
  { reading = "hottest", at_most = 45, unit = "°C", source = "data sheet of the cell" },
]
""",
        cues=True,
        cautions=CAUTIONS,
        lasts=lambda settings: 60 * settings.minutes,
        timeout=46_800.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises Absent without such a battery; NotPossible where it cannot be watched, or not left alone."""
        if host.address.startswith("recorded:"):
            raise NotPossible("a recorded unit stands still: nothing is charged in it")
        name = await only_battery(host.files, settings.name)
        gauge = _Gauge(host, f"{SUPPLIES}/{name}", settings)
        first, _ = await gauge.look()
        if settings.unattended:
            if not await gauge.can_be_told():
                raise NotPossible(
                    f"nobody is to stay, and {name} cannot be told to stop charging (it has no charge_behaviour)",
                    to_do="Take the check with somebody beside the unit: leave `unattended` out.",
                )
        else:
            yield Cue(
                say="Put the unit on a surface that does not burn, nothing on it, and the charger on. Stay beside "
                f"it until this check ends, {settings.minutes:g} min at the most. Pull the plug at once when it "
                "gets hot, swells or smells, and whenever this program pauses or breaks off.",
                wait=True,
                act="charge",
            )
        began = host.clocks.loop()
        charge, idle, silent, told = Charge(settings.bounds()), 0, 0, began
        why = hard_stop(first, charge.bounds)
        while not why:
            now = host.clocks.loop()
            try:
                sample, status = await gauge.look(now - began)
            except (OSError, VerifierError):
                silent += 1
                why = "blind" if silent >= IN_A_ROW else ""
            else:
                silent = 0
                why = charge.take(sample)
                idle = 0 if status in ("Charging", "Unknown", "") else idle + 1
                if not why and idle * settings.interval >= gauge.patience:
                    why = FULL if status == "Full" else NOT_CHARGING
                if not why and not settings.unattended and now - told >= TOLD_EVERY:
                    told = now
                    yield Cue(say=_how_it_stands(sample))
            if not why:
                await host.clocks.sleep(max(0.0, settings.interval - (host.clocks.loop() - now)))
        if not charge.samples:
            charge.take(first)
        ended = None
        if why in HARD:
            at_once = await gauge.tell_to_stop()
            if not settings.unattended:
                yield Cue(
                    say=f"STOP: {HARD[why]}. Pull the charger's plug now." + " It was told to stop." * at_once,
                    act="uncharge",
                )
            ended = await gauge.has_ended()
        elif not settings.unattended:
            yield Cue(say="The charge has ended. Take the charger off.", act="uncharge")
        known = gauge.known()
        for reading in readings_of(
            charge, current=known[0], voltage=known[1], temperature=known[2], origins=gauge.origins
        ):
            yield reading
        yield Reading(name="stopped_by", value=why, origin=gauge.at, exact=True)
        if ended is not None:
            yield Reading(name="ended", value=ended, origin=gauge.at, exact=True)
        if gauge.written:
            touched = f"{gauge.written}: inhibit-charge, until the unit is restarted"
            yield Reading(name="touched", value=touched, origin=gauge.written, exact=True)
        yield Reading(name="attended", value=settings.attended, origin="settings of the check", exact=True)


def _how_it_stands(sample: Sample) -> str:
    return (
        f"Charging: {sample.current:.2f} A, {sample.voltage:.2f} V, cell at {sample.temperature:.1f} °C, "
        f"{sample.at / 60:.0f} min so far. Stay beside it."
    )


class _Gauge:
    """The unit's own gauge, and what can be told to its charger."""

    patience = 60.0
    """Seconds in which a charge may begin, or go on after a break."""

    def __init__(self, host: Host, at: str, settings: Settings) -> None:
        self._host, self.at, self._settings = host, at, settings
        self._steps = [10**4, 10**4]
        self.written = ""
        """The file in which the unit was told to stop charging; empty while it was not."""

    @property
    def origins(self) -> tuple[str, str, str]:
        return (f"{self.at}/current_now", f"{self.at}/voltage_now", f"{self.at}/temp")

    async def look(self, at: float = 0.0) -> tuple[Sample, str]:
        """A sample and the gauge's status. NotPossible where it gives no current, voltage or temperature."""
        files: Files = self._host.files
        current, voltage, tenths = [await number_of(files, path) for path in self.origins]
        if current is None or voltage is None or tenths is None or abs(tenths) > 2000:
            raise NotPossible(
                "the gauge does not tell current, voltage and temperature: unwatched the cell is not charged"
            )
        for place, value in enumerate((current, voltage)):
            self._steps[place] = min(self._steps[place], step_of(value))
        # The sign of the current is the driver's own: what flows while the status says so flows in.
        status = await text_of(self._host.files, f"{self.at}/status") or ""
        flows = abs(current) if status != "Discharging" else -abs(current)
        return Sample(at, flows / _MICRO, voltage / _MICRO, tenths / 10), status

    def known(self) -> tuple[Known, Known, Known]:
        current, voltage = (step / _MICRO for step in self._steps)
        return (
            Known(current, self._settings.gauge_error, "gauge, current"),
            Known(voltage, note="gauge, voltage"),
            Known(0.1, note="gauge, temperature"),
        )

    async def can_be_told(self) -> bool:
        return "inhibit-charge" in (await text_of(self._host.files, f"{self.at}/charge_behaviour") or "")

    async def tell_to_stop(self) -> bool:
        """Whether the unit took it that it is to stop charging; False where it cannot be told so."""
        path = f"{self.at}/charge_behaviour"
        try:
            if not await self.can_be_told():
                return False
            told = await self._host.commands.run("sh", "-c", 'echo inhibit-charge > "$0"', path)
            self.written = path if told.exit == 0 else ""
            return "[inhibit-charge]" in (await text_of(self._host.files, path) or "")
        except (OSError, VerifierError):
            return False  # the technician is told, whatever happens here

    async def has_ended(self) -> bool:
        end = self._host.clocks.loop() + self.patience
        while self._host.clocks.loop() < end:
            try:
                sample, status = await self.look()
                if status not in ("Charging", "Unknown", "") and sample.current <= CUTOFF:
                    return True
            except (OSError, VerifierError):
                pass  # not seen to end
            await self._host.clocks.sleep(self._settings.interval)
        return False
