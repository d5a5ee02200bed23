"""The backlight of a built-in screen, as the kernel's backlight class has it."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.attributes import names_in, number_of, text_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

BACKLIGHTS = "/sys/class/backlight"


@dataclass(frozen=True, slots=True)
class Settings:
    name: str = ""
    """As the kernel calls it, such as panel-backlight; may be left out where the unit has one."""

    def __post_init__(self) -> None:
        if self.name and not re.fullmatch(r"(?!\.)[^\s/\x00]{1,60}", self.name):
            raise ValueError(f"{self.name!r} is no name of a backlight, such as panel-backlight")


class Backlight:
    declaration = ProbeDeclaration(
        name="display.backlight",
        title="Backlight",
        what=(
            "Reads how bright the backlight is set, how bright its driver says it is, and whether it is on. It "
            "does not see the light: follow with a prompt that has somebody look."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="backlight", kind="text", what="Which backlight was read."),
            ReadingDeclaration(name="set", kind="number", unit="%", what="Brightness asked for, of the most."),
            ReadingDeclaration(
                name="shown", kind="number", unit="%", what="Brightness by its driver, of the most.", optional=True
            ),
            ReadingDeclaration(
                name="on", kind="yes-no", what="Whether it has power (bl_power is 0).", optional=True
            ),
        ),
        sources=(
            "Linux Documentation/ABI/stable/sysfs-class-backlight (brightness, max_brightness, actual_brightness, "
            "bl_power)",
        ),
        example="""\
[[checks]]
id = "backlight"
title = "Backlight is on"
probe = "display.backlight"
limits = [
  { reading = "on", is = true, source = "maker" },
  { reading = "shown", at_least = 20, unit = "%", source = "maker" },
]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without a backlight; NotPossible when a choice is left open."""
        files = host.files
        names = [settings.name] if settings.name else (await names_in(files, BACKLIGHTS))[:20]
        known = {name: await number_of(files, f"{BACKLIGHTS}/{name}/max_brightness") for name in names}
        most = {name: value for name, value in known.items() if value is not None and value > 0}
        if not most:
            raise Absent(f"this host has no backlight {settings.name}".rstrip())
        if len(most) > 1:
            raise NotPossible(f"this host has several ({', '.join(most)[:200]}): name one in the check's settings")
        ((name, full),) = most.items()
        at = f"{BACKLIGHTS}/{name}"
        yield Reading(name="backlight", value=name, origin=at, exact=True)
        for reading, file in (("set", "brightness"), ("shown", "actual_brightness")):
            value = await number_of(files, f"{at}/{file}")
            if value is not None and 0 <= value <= full:
                # A setting of the driver's own scale, no measurement of light.
                yield Reading(name=reading, value=100 * value / full, unit="%", origin=f"{at}/{file}", exact=True)
        power = await text_of(files, f"{at}/bl_power")
        if power is not None and power.isdecimal():
            yield Reading(name="on", value=power == "0", origin=f"{at}/bl_power", exact=True)
