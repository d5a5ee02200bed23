"""Temperatures that the unit's own sensors give."""

from __future__ import annotations

import errno
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Literal

from verifier.errors import Absent
from verifier.gather.probes.attributes import names_in, number_of, text_of
from verifier.readings import Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

ZONES = "/sys/class/thermal"
MONITORS = "/sys/class/hwmon"
FOLDERS_LIMIT = 256
"""Zones, monitors and inputs of a monitor that are looked at, at the most."""

_NOT_ANSWERING = frozenset(
    {errno.EIO, errno.ETIMEDOUT, errno.EREMOTEIO, errno.EPROTO, errno.EBADMSG, errno.ENOMSG}
)
"""Errors with which a driver says that the sensor is there and does not answer."""
_STEPS = (1000, 500, 250, 125, 100, 50, 25, 10, 5, 1)
"""Steps in millikelvin that are looked for, the widest first."""
_ZERO_CELSIUS = 273_150
"""0 °C in millikelvin."""


def step_of(millidegrees: int) -> float:
    """The widest common step, in K, on which a reading in millidegrees Celsius lies.

    A heuristic. Sensors that count whole kelvins or tenths give round values in °C or in K (43850 m°C is
    317 K), so both scales are tried. One value can lie on a wide step by chance: the step is
    then too wide and the uncertainty too large, which errs on the safe side. Source: millidegree
    Celsius by Documentation/ABI/testing/sysfs-class-thermal; the choice of steps is common practice, no source.
    """
    step = next(s for s in _STEPS if millidegrees % s == 0 or (millidegrees + _ZERO_CELSIUS) % s == 0)
    return step / 1000


@dataclass(frozen=True, slots=True)
class Settings:
    sensor: str = "*"
    """Which sensors count, by zone type, chip, label or both ("nvme", "Composite", "nvme/Composite");
    * and ? stand for any text. Of several the hottest is read."""


@dataclass(frozen=True, slots=True)
class Sensor:
    names: tuple[str, ...]
    origin: str
    state: Literal["gives", "faulty", "empty"]
    millidegrees: int = 0

    def matches(self, wanted: str) -> bool:
        return any(fnmatchcase(name.casefold(), wanted.casefold()) for name in self.names)


class Sensors:
    declaration = ProbeDeclaration(
        name="thermal.sensors",
        title="Temperature sensors",
        what=(
            "Reads the unit's own temperature sensors (thermal zones and hardware monitors) once and gives the "
            "hottest of those that match. A sensor says what it says: -44 °C is a value, not an error. "
            "The uncertainty stated is that of the sensor's step alone."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(
                name="temperature",
                kind="number",
                unit="Cel",
                what="Temperature of the hottest matching sensor; missing when all that match are faulty.",
                optional=True,
            ),
            ReadingDeclaration(
                name="hottest", kind="text", what="Name of the sensor that temperature is from.", optional=True
            ),
            ReadingDeclaration(
                name="sensors", kind="number", unit="1", what="How many matching sensors give a temperature."
            ),
            ReadingDeclaration(
                name="faulty",
                kind="number",
                unit="1",
                what="How many matching sensors report a fault or do not answer.",
            ),
        ),
        sources=(
            "Linux Documentation/ABI/testing/sysfs-class-thermal (thermal_zoneX/temp, type)",
            "Linux Documentation/ABI/testing/sysfs-class-hwmon (tempY_input, tempY_label, tempY_fault, name)",
            "Linux Documentation/hwmon/sysfs-interface.rst",
        ),
        example="""\
[[checks]]
id = "heat-at-rest"
title = "Processor temperature at rest"
probe = "thermal.sensors"
settings = { sensor = "acpitz" }
limits = [
  { reading = "temperature", at_most = 70, unit = "Cel", source = "study, 30 good units" },
  { reading = "faulty", equals = 0, unit = "1", source = "judgement" },
]
""",
        timeout=20.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when no sensor matches, or none of them is more than an empty place."""
        found = [s async for s in sensors_of(host.files) if s.state != "empty"]
        if not found:
            raise Absent("this host has no temperature sensor")
        matching = [s for s in found if s.matches(settings.sensor)]
        if not matching:
            known = ", ".join(sorted({s.names[0] for s in found})[:20])
            raise Absent(f"no temperature sensor is called {settings.sensor!r}; there are {known}")
        giving = [s for s in matching if s.state == "gives"]
        yield _count("sensors", len(giving))
        yield _count("faulty", len(matching) - len(giving))
        if not giving:
            return
        hottest = max(giving, key=lambda s: s.millidegrees)
        step = step_of(hottest.millidegrees)
        yield Reading(name="hottest", value=hottest.names[0], origin=hottest.origin, exact=True)
        yield Reading(
            name="temperature",
            value=hottest.millidegrees / 1000,
            unit="Cel",
            origin=hottest.origin,
            contributions=(Contribution.resolution(step, note=f"sensor step of {step:g} K, from its value"),),
        )


def _count(name: str, value: int) -> Reading:
    return Reading(name=name, value=value, unit="1", origin=f"{ZONES}, {MONITORS}", exact=True)


async def sensors_of(files: Files) -> AsyncIterator[Sensor]:
    zones = [n for n in await names_in(files, ZONES) if n.startswith("thermal_zone")]
    for zone in zones[:FOLDERS_LIMIT]:
        kind = await text_of(files, f"{ZONES}/{zone}/type")
        yield await _read(files, f"{ZONES}/{zone}/temp", (kind or zone, zone))
    for monitor in (await names_in(files, MONITORS))[:FOLDERS_LIMIT]:
        if await _is_zone(files, f"{MONITORS}/{monitor}"):
            continue
        folder, inputs = await _inputs(files, f"{MONITORS}/{monitor}")
        chip = await text_of(files, f"{folder}/name") or monitor
        for name in inputs[:FOLDERS_LIMIT]:
            label = await text_of(files, f"{folder}/{name}_label") or name
            names = (f"{chip}/{label}", chip, label, f"{monitor}/{name}")
            yield await _read(files, f"{folder}/{name}_input", names, fault=f"{folder}/{name}_fault")


async def _is_zone(files: Files, monitor: str) -> bool:
    """True for a monitor that only mirrors a thermal zone, which is read already."""
    try:
        device = await files.real_path(f"{monitor}/device")
    except OSError:
        return False
    return re.fullmatch(r".*/thermal_zone\d+", device) is not None


async def _inputs(files: Files, monitor: str) -> tuple[str, list[str]]:
    """The folder that holds a monitor's inputs, and their names.

    Before Linux 3.x they stand in the folder of the parent device, not in the monitor's own.
    """
    for folder in (monitor, f"{monitor}/device"):
        found = [m[1] for n in await names_in(files, folder) if (m := re.fullmatch(r"(temp\d{1,4})_input", n))]
        if found:
            return folder, sorted(found, key=lambda name: int(name[4:]))
    return monitor, []


async def _read(files: Files, path: str, names: tuple[str, ...], *, fault: str = "") -> Sensor:
    try:
        if fault and await number_of(files, fault):
            return Sensor(names, fault, "faulty")
        value = await number_of(files, path)
    except OSError as error:
        if error.errno in _NOT_ANSWERING:
            return Sensor(names, path, "faulty")
        raise
    if value is None or abs(value) > 10_000_000:  # 10,000 K either way is no temperature of a unit
        return Sensor(names, path, "empty")
    return Sensor(names, path, "gives", value)
