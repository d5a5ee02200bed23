"""A display socket under a hand: the plug goes in while the socket is watched."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent, NotPossible
from verifier.gather.probes import display
from verifier.gather.probes.attributes import text_of
from verifier.readings import ProbeDeclaration, Reading
from verifier.services import Host
from verifier.steps import Cue

LOOK = 0.2
"""Seconds between two looks at the socket."""
SETTLED = 1.0
"""Seconds that a display has to stay before it is read (judgement): a bad contact lets it come and go."""


@dataclass(frozen=True, slots=True)
class Settings:
    connector: str
    """Name of the connector as the kernel has it, such as DP-1, or card1-DP-1 where two cards have one."""
    label: str = ""
    """The marking of the socket as the technician reads it; the connector's name where it is left out."""
    patience: float = 30.0
    """Seconds to wait for each step, 1 to 300."""

    def __post_init__(self) -> None:
        if not self.connector:
            raise ValueError("connector names the socket, such as DP-1")
        display.Settings(self.connector)
        if not 1 <= self.patience <= 300:
            raise ValueError("patience is 1 to 300 seconds")
        if not (self.label.isprintable() and len(self.label) <= 60):
            raise ValueError("label is a short printable text")


class Plug:
    declaration = ProbeDeclaration(
        name="display.plug",
        title="Display, plugged in",
        what=(
            "Has the technician plug a known good display into one socket while hot-plug detection is watched, "
            "then reads what display.connector reads. A display that is in already is to be pulled out first. "
            "Absent when none is noticed in time: the display may show nothing, but a unit that does not notice "
            "it will not send a picture either. Whether there is a picture, a prompt has to ask."
        ),
        settings=Settings,
        readings=display.Connector.declaration.readings,
        sources=display.Connector.declaration.sources,
        example="""\
[[checks]]
id = "display-1-plug"
title = "Display output 6 notices a display"
probe = "display.plug"
settings = { connector = "DP-1", label = "6" }
covers = ["display-1"]
limits = [
  { reading = "edid_valid", is = true, source = "VESA E-EDID, 3.3 and 3.11" },
  { reading = "height", at_least = 1440, unit = "1", source = "reference display of the bench" },
]
""",
        cues=True,
        timeout=900.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises Absent without such a connector or when no display is noticed; NotPossible on a recorded tree."""
        name, at = await display.chosen(host.files, settings.connector)
        if host.address.startswith("recorded:"):
            raise NotPossible("a recorded unit stands still: nobody can plug anything into it")
        socket = f"the socket marked {settings.label}" if settings.label else f"the display socket {name}"
        within = f"within {settings.patience:g} s"
        if await _connected(host, at):
            yield Cue(say=f"Pull the display's plug out of {socket}, {within}.", act="pull", at=name)
            if not await _stays(host, at, settings.patience, connected=False):
                raise NotPossible(f"the display was not pulled out within {settings.patience:g} s")
        else:  # who has to look for it first would make the unit fail
            yield Cue(say="Take the plug of the test display to hand, and go on.", wait=True)
        yield Cue(say=f"Put the plug of the test display into {socket}, {within}.", act="put in", at=name)
        if not await _stays(host, at, settings.patience, connected=True):
            raise Absent(f"no display was noticed at {name} within {settings.patience:g} s")
        async for reading in display.Connector().take(host, display.Settings(name)):
            yield reading


async def _connected(host: Host, at: str) -> bool:
    return await text_of(host.files, f"{at}/status") == "connected"


async def _stays(host: Host, at: str, patience: float, *, connected: bool) -> bool:
    """Whether the socket came to that state within so many seconds, and kept it for a while."""
    end = host.clocks.boot() + patience
    since = None
    while True:
        now = host.clocks.boot()
        since = (now if since is None else since) if await _connected(host, at) is connected else None
        if since is not None and now - since >= SETTLED:
            return True
        if (now >= end and since is None) or now >= end + SETTLED:
            return False
        await host.clocks.sleep(LOOK)
