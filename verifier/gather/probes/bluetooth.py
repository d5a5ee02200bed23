"""Bluetooth adapters: are they there, and are they let?"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent
from verifier.gather.probes.attributes import names_in, number_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

BLUETOOTH = "/sys/class/bluetooth"
_BLOCKED = (0, 2)
"""rfkill states: soft blocked and hard blocked; 1 is free."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Takes no settings."""


class Adapter:
    declaration = ProbeDeclaration(
        name="bluetooth.adapter",
        title="Bluetooth adapter",
        what=(
            "Counts the Bluetooth adapters and tells whether a switch or the software blocks them. Whether the "
            "antenna is on, it cannot tell: that takes a far end."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="adapters", kind="number", unit="1", what="Adapters there are."),
            ReadingDeclaration(name="first", kind="text", what="Name of the first, such as hci0."),
            ReadingDeclaration(
                name="blocked", kind="yes-no", what="Whether the first is switched off.", optional=True
            ),
        ),
        sources=(
            "Linux net/bluetooth/hci_sysfs.c (hciN; connections are hciN:HANDLE)",
            "Linux Documentation/ABI/stable/sysfs-class-rfkill (state 0 soft blocked, 1 free, 2 hard blocked)",
        ),
        example="""\
[[checks]]
id = "bluetooth"
title = "Radio module has Bluetooth"
probe = "bluetooth.adapter"
limits = [
  { reading = "adapters", equals = 1, unit = "1", source = "maker" },
  { reading = "blocked", is = false, source = "judgement" },
]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without an adapter."""
        names = [n for n in await names_in(host.files, BLUETOOTH) if re.fullmatch(r"hci\d{1,3}", n)]
        if not names:
            raise Absent("this host has no Bluetooth adapter")
        yield Reading(name="adapters", value=len(names), unit="1", origin=BLUETOOTH, exact=True)
        yield Reading(name="first", value=names[0], origin=f"{BLUETOOTH}/{names[0]}", exact=True)
        state, origin = await _switch(host.files, f"{BLUETOOTH}/{names[0]}")
        if state in (0, 1, 2):
            yield Reading(name="blocked", value=state in _BLOCKED, origin=origin, exact=True)


async def _switch(files: Files, at: str) -> tuple[int | None, str]:
    for name in await names_in(files, at):
        if re.fullmatch(r"rfkill\d{1,4}", name):
            return await number_of(files, f"{at}/{name}/state"), f"{at}/{name}/state"
    return None, at
