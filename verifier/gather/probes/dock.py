"""A dock under a hand: what its contacts bring, while the unit is put into it."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import BenchFault, NotPossible
from verifier.gather.probes.attributes import number_of, text_of
from verifier.gather.probes.power import SUPPLIES
from verifier.gather.probes.usb import DEVICES as USB
from verifier.gather.probes.usb import DeviceSettings
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host
from verifier.steps import Cue

LOOK = 0.3
"""Seconds between two looks."""
SETTLED = 2.0
"""Seconds for which everything has to stay (judgement): a worn contact lets it come and go."""
PARTS = ("supply", "network", "usb")


@dataclass(frozen=True, slots=True)
class Settings:
    supply: str = ""
    """Supply input that the dock feeds, as /sys/class/power_supply calls it; empty where it feeds none."""
    network: str = ""
    """Interface of the network port of the dock, such as eth0; empty where it has none."""
    usb: str = ""
    """Path of a USB device in the dock, such as 1-2; empty where it has none."""
    patience: float = 60.0
    """Seconds to wait for each step, 5 to 600."""

    def __post_init__(self) -> None:
        if not (self.supply or self.network or self.usb):
            raise ValueError("name one at least of supply, network and usb")
        for name in (self.supply, self.network):
            if name and not re.fullmatch(r"(?!\.)[^\s/\x00]{1,60}", name):
                raise ValueError(f"{name!r} is no name of a supply or an interface")
        if self.usb:
            DeviceSettings(path=self.usb)  # refuses what is no path
        if not 5 <= self.patience <= 600:
            raise ValueError("patience is 5 to 600 seconds")


class Contacts:
    declaration = ProbeDeclaration(
        name="dock.contacts",
        title="Dock, docked",
        what=(
            "Has the technician take the unit out of its dock and put it in again, and tells which of supply, "
            "network and USB came over the contacts and stayed. Over SSH through the dock the unit is out of "
            "reach while it is out; that counts as undocked, and it is waited for."
        ),
        settings=Settings,
        readings=(
            *(
                ReadingDeclaration(
                    name=part,
                    kind="yes-no",
                    what=f"Whether the {said} of the dock came and stayed.",
                    optional=True,
                )
                for part, said in zip(PARTS, ("supply", "network link", "USB device"), strict=True)
            ),
            ReadingDeclaration(
                name="came_and_went", kind="number", unit="1", what="Times that one of them went away again."
            ),
        ),
        sources=(
            "Linux Documentation/ABI/testing/sysfs-class-power (online)",
            "Linux Documentation/ABI/testing/sysfs-class-net (carrier)",
            "Linux Documentation/ABI/testing/sysfs-bus-usb",
        ),
        example="""\
[[checks]]
id = "dock"
title = "Dock feeds the unit and links its network"
probe = "dock.contacts"
settings = { supply = "dock-in", network = "eth0", usb = "1-2" }
limits = [
  { reading = "supply", is = true, source = "maker" },
  { reading = "network", is = true, source = "maker" },
  { reading = "usb", is = true, source = "maker" },
  { reading = "came_and_went", at_most = 0, unit = "1", source = "maker" },
]
""",
        cues=True,
        timeout=1800.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises NotPossible when the unit is not taken out, and on a recorded tree."""
        if host.address.startswith("recorded:"):
            raise NotPossible("a recorded unit stands still: nobody can dock it")
        wanted = [part for part in PARTS if getattr(settings, part)]
        yield Cue(say="Take the unit out of its dock.", act="undock")
        end = host.clocks.loop() + settings.patience
        while any((await _there(host, settings, wanted)).values()):
            if host.clocks.loop() >= end:
                raise NotPossible(f"the unit was not taken out of its dock within {settings.patience:g} s")
            await host.clocks.sleep(LOOK)
        yield Cue(say="Put it back into its dock, and let go of it.", act="dock")
        begun = since = host.clocks.loop()
        seen, went = dict.fromkeys(wanted, False), 0
        while True:
            there, now = await _there(host, settings, wanted), host.clocks.loop()
            went += sum(seen[part] and not there[part] for part in wanted)
            if there != seen:
                seen, since = there, now
            settled = all(seen.values()) and now - since >= SETTLED
            if settled or now - begun >= settings.patience:
                break
            await host.clocks.sleep(LOOK)
        places = {
            "supply": f"{SUPPLIES}/{settings.supply}/online",
            "network": f"/sys/class/net/{settings.network}/carrier",
            "usb": f"{USB}/{settings.usb}",
        }
        for part in wanted:
            yield Reading(name=part, value=seen[part], origin=places[part], exact=True)
        yield Reading(name="came_and_went", value=went, unit="1", origin="dock", exact=True)


async def _there(host: Host, settings: Settings, wanted: list[str]) -> dict[str, bool]:
    """Which of them are there now; none while the unit cannot be reached."""
    try:
        now = {
            "supply": bool(settings.supply)
            and (await number_of(host.files, f"{SUPPLIES}/{settings.supply}/online") or 0) > 0,
            "network": bool(settings.network)
            and await number_of(host.files, f"/sys/class/net/{settings.network}/carrier") == 1,
            "usb": bool(settings.usb) and await text_of(host.files, f"{USB}/{settings.usb}/idVendor") is not None,
        }
    except BenchFault:
        now = dict.fromkeys(PARTS, False)
    return {part: now[part] for part in wanted}
