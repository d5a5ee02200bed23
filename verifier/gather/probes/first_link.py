"""How long a unit takes from being fed to its first network link, seen at the bench's end of the cable."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verifier.errors import NotPossible
from verifier.gather.instruments.services import ENERGISE, INSTRUMENTS
from verifier.gather.probes.attributes import number_of
from verifier.gather.probes.ethernet import Settings as LinkSettings
from verifier.gather.probes.instruments import CAUTION
from verifier.gather.probes.link import NET
from verifier.gather.probes.measuring import FeedSettings, bench_of, stayed_on, stays_on
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

if TYPE_CHECKING:
    from verifier.gather.instruments.bench import InstrumentHost

LOOK = 0.02
"""Seconds between two looks at the carrier. The file follows the driver at once; the kernel holds its messages to
listeners back for up to a second (net/core/link_watch.c, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings(FeedSettings):
    interface: str
    """The bench's interface that the unit's cable goes to, with nothing between, such as eth1."""
    longest: float = 120.0
    """Seconds after which it is not waited for any longer, 1 to 600. Give the check a longer timeout."""
    discharge: float = 10.0
    """Seconds that the unit may take to lose the link of before, with the supply off, 0 to 120."""

    def __post_init__(self) -> None:
        self.refuse_odd()
        LinkSettings(interface=self.interface)
        if not self.interface or not 1 <= self.longest <= 600 or not 0 <= self.discharge <= 120:
            raise ValueError("interface is a name such as eth1, longest 1 to 600 s, discharge 0 to 120 s")


class FirstLink:
    declaration = ProbeDeclaration(
        name="ethernet.first_link",
        title="Time from power to first link",
        what=(
            "Feeds the unit from a bench supply and watches the bench's own end of its network cable: how long "
            "until the first link. For units that run nothing of ours. The cable goes straight to the bench: a "
            "switch between has a link of its own. A network chip may link before anything runs: compare with the "
            "time of good units. Like all that instruments read it is the bench's view, without seen_from. "
            + CAUTION
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="linked", kind="yes-no", what="Whether there was a link in time."),
            ReadingDeclaration(
                name="first_link", kind="number", unit="s", what="From being fed to the first link.", optional=True
            ),
            stays_on("supply"),
        ),
        services=(INSTRUMENTS, ENERGISE),
        sources=("Linux Documentation/ABI/testing/sysfs-class-net (carrier)", "JCGM 100, 4.3.7 (rectangular)"),
        example="""\
[[checks]]
id = "first-link"
title = "Comes up on the network in time"
probe = "ethernet.first_link"
settings = { instrument = "supply", voltage = 19.0, current_limit = 3.0, interface = "eth1", longest = 60.0 }
needs = ["supply", "bench-lan"]
timeout = "90 s"
limits = [
  { reading = "linked", is = true, source = "judgement" },
  { reading = "first_link", at_most = 30, unit = "s", source = "study of 30 good units" },
]
""",
        lasts=lambda settings: settings.longest,
        timeout=180.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises NotPossible where the bench's end of the cable cannot show it."""
        here = bench_of(host)
        files, at = here.bench_files, f"{NET}/{settings.interface}"
        await _dark(here, files, settings)
        took = await here.bench.switch_on(settings.instrument, settings.demands(), here.lease)
        fed, origin = here.clocks.loop() - took / 2, f"bench: {at}/carrier"
        linked = None
        while linked is None and here.clocks.loop() - fed < settings.longest:
            if await number_of(files, f"{at}/carrier") == 1:
                linked = here.clocks.loop() - fed
            else:
                await here.bench.wait(LOOK)
        on = await stayed_on(here, settings.instrument)
        await here.bench.still(settings.instrument)
        yield Reading(name="linked", value=linked is not None, origin=origin, exact=True)
        if linked is not None:
            yield Reading(
                name="first_link",
                value=max(0.0, linked - LOOK / 2),
                unit="s",
                origin=origin,
                contributions=(
                    Contribution.resolution(LOOK, note=f"looked at every {LOOK:g} s"),
                    Contribution.half_width(took / 2, basis=Basis.RESOLUTION, note="when the output went on"),
                ),
            )
        yield on


async def _dark(here: InstrumentHost, files: Files, settings: Settings) -> None:
    """Wait until the link of before has gone; NotPossible where a new one could not be told from it."""
    name, at = settings.interface, f"{NET}/{settings.interface}"
    if not await files.exists(f"{at}/type"):
        raise NotPossible(f"the bench has no network interface {name}")
    until = here.clocks.loop() + settings.discharge
    while (carrier := await number_of(files, f"{at}/carrier")) == 1 and here.clocks.loop() < until:
        await here.bench.wait(LOOK)
    if carrier is None:
        raise NotPossible(f"the bench's {name} is switched off: ip link set {name} up")
    if carrier:
        raise NotPossible(
            f"the bench's {name} has a link although the supply is off: the unit is fed by something else, or a "
            "switch lies between"
        )
