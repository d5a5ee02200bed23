"""The power button: is there one that the system hears?"""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent
from verifier.gather.probes.input_devices import INPUT, InputDevice, input_devices
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

POWER_KEYS = frozenset({116, 0x164})
"""KEY_POWER and KEY_POWER2 in include/uapi/linux/input-event-codes.h."""


LETTERS = frozenset(range(16, 26))
"""KEY_Q to KEY_P: what has these is a keyboard."""
PLUGGED_IN = ("0003", "0005")
"""BUS_USB and BUS_BLUETOOTH in include/uapi/linux/input.h: a keyboard's power key is no button of the unit."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Takes no settings."""


class PowerButton:
    declaration = ProbeDeclaration(
        name="button.power",
        title="Power button",
        what=(
            "Tells whether the system knows a power button of the unit; power keys of keyboards do not count. It "
            "does not press it: a button whose lead is off is still listed where firmware announces it. Follow "
            "with button.presses, or with a prompt that has it pressed."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="buttons", kind="number", unit="1", what="Power buttons."),
            ReadingDeclaration(name="name", kind="text", what="What the first of them calls itself."),
        ),
        sources=(
            "Linux include/uapi/linux/input-event-codes.h (KEY_POWER 116, KEY_POWER2 0x164)",
            "Linux drivers/input/input.c, input_print_bitmap (capabilities/key; id/bustype)",
        ),
        example="""\
[[checks]]
id = "power-button"
title = "Power button is known"
probe = "button.power"
limits = [{ reading = "buttons", at_least = 1, unit = "1", source = "maker" }]
""",
        timeout=15.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when no input device but a keyboard has a power key."""
        found = await power_buttons(host)
        yield Reading(name="buttons", value=len(found), unit="1", origin=INPUT, exact=True)
        yield Reading(name="name", value=found[0].name, origin=found[0].at, exact=True)


async def power_buttons(host: Host) -> list[InputDevice]:
    """The unit's own power buttons; Absent when no input device but a keyboard has a power key."""
    found = [d for d in await input_devices(host) if d.keys & POWER_KEYS]
    found = [d for d in found if not d.keys & LETTERS and d.bus not in PLUGGED_IN]
    if not found:
        raise Absent("this host knows no power button")
    return found
