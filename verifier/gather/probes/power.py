"""Batteries and supplies, as the kernel's power supply class has them."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.attributes import names_in, number_of, text_of
from verifier.readings import Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

SUPPLIES = "/sys/class/power_supply"
SUPPLIES_LIMIT = 64
_ABI = "Linux Documentation/ABI/testing/sysfs-class-power"
_MICRO = 1_000_000
_WIDEST = 10_000
"""The widest step, in millionths, that a single value is taken to show."""


@dataclass(frozen=True, slots=True)
class _Quantity:
    name: str
    file: str
    unit: str
    what: str


_QUANTITIES = (
    _Quantity("voltage", "voltage_now", "V", "Voltage now."),
    _Quantity("current", "current_now", "A", "Current now; its sign is the driver's own."),
    _Quantity("power", "power_now", "W", "Power now."),
    _Quantity("energy", "energy_now", "W.h", "Energy left."),
    _Quantity("energy_full", "energy_full", "W.h", "Energy when last full."),
    _Quantity("energy_design", "energy_full_design", "W.h", "Energy when new."),
    _Quantity("charge", "charge_now", "A.h", "Charge left."),
    _Quantity("charge_full", "charge_full", "A.h", "Charge when last full."),
    _Quantity("charge_design", "charge_full_design", "A.h", "Charge when new."),
)


@dataclass(frozen=True, slots=True)
class Settings:
    name: str = ""
    """As the kernel calls it, such as BAT0; may be left out where the unit has one."""

    def __post_init__(self) -> None:
        if self.name and not re.fullmatch(r"(?!\.)[^\s/\x00]{1,60}", self.name):
            raise ValueError(f"{self.name!r} is no name of a supply, such as BAT0")


class Battery:
    declaration = ProbeDeclaration(
        name="power.battery",
        title="Battery",
        what=(
            "Reads what the battery's gauge says: charge, voltage, current, temperature, wear. Batteries of "
            "mice, headsets and the like are left out. The uncertainty stated is that of the step alone; how good "
            "the gauge is, its data sheet has to say."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="battery", kind="text", what="Which battery was read."),
            ReadingDeclaration(name="present", kind="yes-no", what="Whether a cell pack is in.", optional=True),
            ReadingDeclaration(
                name="status",
                kind="text",
                what="Charging, Discharging, Not charging, Full or Unknown.",
                optional=True,
            ),
            ReadingDeclaration(name="health", kind="text", what="Good, Overheat, Dead, ...", optional=True),
            ReadingDeclaration(
                name="capacity", kind="number", unit="%", what="Charge left, of what it holds now.", optional=True
            ),
            *(
                ReadingDeclaration(name=q.name, kind="number", unit=q.unit, what=q.what, optional=True)
                for q in _QUANTITIES
            ),
            ReadingDeclaration(
                name="wear_left",
                kind="number",
                unit="%",
                what="What it holds when full, of what it held when new, by its own gauge.",
                optional=True,
            ),
            ReadingDeclaration(
                name="temperature", kind="number", unit="Cel", what="Temperature of the pack.", optional=True
            ),
            ReadingDeclaration(
                name="cycles", kind="number", unit="1", what="Charge cycles; many gauges say 0.", optional=True
            ),
        ),
        sources=(
            f"{_ABI} (capacity, voltage_now, current_now, temp in 1/10 °C, status, health, cycle_count, scope)",
            "Linux Documentation/power/power_supply_class.rst (units are millionths; charge and energy)",
        ),
        example="""\
[[checks]]
id = "battery"
title = "Battery"
probe = "power.battery"
settings = { name = "BAT0" }
limits = [
  { reading = "present", is = true, source = "maker" },
  { reading = "wear_left", at_least = 80, unit = "%", source = "maker" },
  { reading = "voltage", at_least = 10.8, at_most = 12.6, unit = "V", source = "data sheet of the pack" },
]
uncertainty = [{ reading = "voltage", half_width = 0.1, unit = "V", source = "data sheet of the gauge" }]
""",
        timeout=15.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such a battery; NotPossible when a choice is left open."""
        name = await only_battery(host.files, settings.name)
        at = f"{SUPPLIES}/{name}"
        yield Reading(name="battery", value=name, origin=at, exact=True)
        present = await number_of(host.files, f"{at}/present")
        if present in (0, 1):
            yield Reading(name="present", value=present == 1, origin=f"{at}/present", exact=True)
        for reading in ("status", "health"):
            text = await text_of(host.files, f"{at}/{reading}")
            if text is not None:
                yield Reading(name=reading, value=text, origin=f"{at}/{reading}", exact=True)
        capacity = await number_of(host.files, f"{at}/capacity")
        if capacity is not None and 0 <= capacity <= 100:
            yield _measured("capacity", capacity, "%", f"{at}/capacity", 1)
        millionths = {q.name: await number_of(host.files, f"{at}/{q.file}") for q in _QUANTITIES}
        if _current_is_power(millionths):
            del millionths["current"]
        for quantity in _QUANTITIES:
            number = millionths.get(quantity.name)
            if number is not None:
                step = step_of(number) / _MICRO
                yield _measured(quantity.name, number / _MICRO, quantity.unit, f"{at}/{quantity.file}", step)
        for kind in ("energy", "charge"):
            full, design = millionths[f"{kind}_full"], millionths[f"{kind}_design"]
            if full is not None and design is not None and full >= 0 and design > 0:
                # A ratio of two statements of the gauge, not a measurement of ours.
                yield Reading(name="wear_left", value=100 * full / design, unit="%", origin=at, exact=True)
                break
        tenths = await number_of(host.files, f"{at}/temp")
        if tenths is not None and abs(tenths) <= 2000:
            yield _measured("temperature", tenths / 10, "Cel", f"{at}/temp", 0.1)
        cycles = await number_of(host.files, f"{at}/cycle_count")
        if cycles is not None and cycles >= 0:
            yield Reading(name="cycles", value=cycles, unit="1", origin=f"{at}/cycle_count", exact=True)


class Supply:
    declaration = ProbeDeclaration(
        name="power.supply",
        title="External supply",
        what="Reads whether an external supply feeds the unit, as its charging circuit sees it.",
        settings=Settings,
        readings=(
            ReadingDeclaration(name="supplies", kind="number", unit="1", what="Supply inputs that were read."),
            ReadingDeclaration(name="online", kind="yes-no", what="Whether any of them feeds the unit."),
            ReadingDeclaration(name="kind", kind="text", what="Kind of the one that does.", optional=True),
            ReadingDeclaration(name="voltage", kind="number", unit="V", what="Voltage there.", optional=True),
            ReadingDeclaration(name="current", kind="number", unit="A", what="Current there.", optional=True),
        ),
        sources=(f"{_ABI} (type, online, voltage_now, current_now)",),
        example="""\
[[checks]]
id = "supply"
title = "External supply arrives"
probe = "power.supply"
limits = [{ reading = "online", is = true, source = "with the bench supply plugged in; maker" }]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when the host has no such supply input."""
        names = [settings.name] if settings.name else await _of_kind(host.files, ("Mains", "USB", "Wireless"))
        asked = {n: await number_of(host.files, f"{SUPPLIES}/{n}/online") for n in names}
        states = {n: state for n, state in asked.items() if state is not None}
        if not states:
            which = f"supply input {settings.name}" if settings.name else "supply input that it tells of"
            raise Absent(f"this host has no {which}")
        yield Reading(name="supplies", value=len(states), unit="1", origin=SUPPLIES, exact=True)
        # 1 is fixed, 2 programmable: both feed the unit.
        feeding = next((n for n, state in states.items() if state > 0), None)
        yield Reading(name="online", value=feeding is not None, origin=SUPPLIES, exact=True)
        if feeding is None:
            return
        at = f"{SUPPLIES}/{feeding}"
        kind = await text_of(host.files, f"{at}/type")
        if kind is not None:
            yield Reading(name="kind", value=kind, origin=f"{at}/type", exact=True)
        for reading, unit in (("voltage", "V"), ("current", "A")):
            number = await number_of(host.files, f"{at}/{reading}_now")
            if number is not None:
                origin = f"{at}/{reading}_now"
                yield _measured(reading, number / _MICRO, unit, origin, step_of(number) / _MICRO)


def step_of(millionths: int) -> int:
    """The decimal step, in millionths, on which a value lies: 12229000 µV lies on 1 mV.

    A heuristic, as with temperatures: one value can lie on a wide step by chance, so nothing wider than
    10,000 is taken (common practice, no source).
    """
    return next(step for step in (_WIDEST, 1000, 100, 10, 1) if millionths % step == 0)


def _current_is_power(millionths: dict[str, int | None]) -> bool:
    """Before Linux 2.6.37 packs that count energy gave their power, in µW, in the file of the current.

    Told by an energy without a power file; a recording of 2008 has it: 25.83 "A" at 12.2 V from 61.5 W·h
    (drivers/acpi/battery.c; version from memory).
    """
    return millionths["energy"] is not None and millionths["power"] is None


def _measured(name: str, value: float, unit: str, origin: str, step: float) -> Reading:
    return Reading(
        name=name, value=value, unit=unit, origin=origin, contributions=(Contribution.resolution(step),)
    )


async def _of_kind(files: Files, kinds: tuple[str, ...]) -> list[str]:
    """Supplies of these kinds that belong to the unit; `scope` Device marks those of things beside it."""
    found = []
    for name in (await names_in(files, SUPPLIES))[:SUPPLIES_LIMIT]:
        kind = await text_of(files, f"{SUPPLIES}/{name}/type")
        if kind in kinds and await text_of(files, f"{SUPPLIES}/{name}/scope") != "Device":
            found.append(name)
    return found


async def only_battery(files: Files, wanted: str) -> str:
    """The battery of this name, or the one that the unit has. Absent without one; NotPossible with several."""
    if wanted:
        if await text_of(files, f"{SUPPLIES}/{wanted}/type") != "Battery":
            raise Absent(f"there is no battery {wanted}")
        return wanted
    found = await _of_kind(files, ("Battery",))
    if not found:
        raise Absent("this host has no battery")
    if len(found) > 1:
        raise NotPossible(f"this host has several ({', '.join(found[:10])}): name one in the check's settings")
    return found[0]
