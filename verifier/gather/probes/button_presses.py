"""The power button under a finger: presses asked for at moments nobody can foresee, held against events."""

from __future__ import annotations

import random
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import NotPossible
from verifier.gather.probes.buttons import POWER_KEYS, power_buttons
from verifier.gather.probes.presses import (
    FASTEST,
    VISIBLE_HOLD,
    demonstration,
    matched,
    presses_of,
    trials_needed,
)
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host, KeyEvent, KeyWatch, buttons_of, chance_of
from verifier.steps import Cue

SHORTEST_GAP = 1.0
"""Seconds between the end of one press and the next cue at the least: what a doubled press needs to show."""
RESTLESS = 5.0
"""Seconds that a button which gives no rest may delay a cue."""
REPEATED = 2
"""Value of the events that a key sends while it is held."""
_COUNTS = (
    ("asked", "Presses asked for."),
    ("registered", "Presses that came when asked, in time or late."),
    ("missed", "Presses that were asked for and did not come."),
    ("late", "Those of the registered that came after the patience was over."),
    ("doubled", "Presses within half a second after another: one push that registered twice."),
    ("unasked", "Presses that nobody had asked for."),
    (
        "bounced",
        "Times that contacts opened and closed again within 50 ms; what the kernel filters does not show.",
    ),
)


@dataclass(frozen=True, slots=True)
class Settings:
    presses: int = 10
    """How many presses are asked for, 1 to 500. Without a miss 10 demonstrate that 74 % register, 59 that 95 %
    do, both at 95 % confidence."""
    patience: float = 4.0
    """Seconds that the technician has for each, 0.5 to 30."""
    longest_gap: float = 4.0
    """The longest that a cue lets the technician wait, in seconds, 1 to 30: its moment is chance."""

    def __post_init__(self) -> None:
        if not 1 <= self.presses <= 500:
            raise ValueError("presses is a whole number from 1 to 500")
        if not 0.5 <= self.patience <= 30:
            raise ValueError("patience is 0.5 to 30 seconds")
        if not SHORTEST_GAP <= self.longest_gap <= 30:
            raise ValueError("longest_gap is 1 to 30 seconds")


class Presses:
    declaration = ProbeDeclaration(
        name="button.presses",
        title="Power button, pressed",
        what=(
            "Has the technician press the power button at moments that chance decides, and holds each press "
            "against what the system reports. Meanwhile the button's events are kept from the rest of the system, "
            "and systemd is asked not to act on them; held_back says which of the two worked, and where neither "
            "did, the technician is warned before the first press. "
            "How long the button is held shows only where hardware reports letting go: the ACPI power button "
            "sends press and release together. Ten presses without a miss demonstrate little (that 74 % register, "
            f"at 95 % confidence): set presses = {trials_needed(0.95)} for 95 %."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="name", kind="text", what="What the button calls itself."),
            ReadingDeclaration(
                name="held_back", kind="text", what="What kept the system from acting on it, if anything."
            ),
            *(ReadingDeclaration(name=name, kind="number", unit="1", what=what) for name, what in _COUNTS),
            ReadingDeclaration(name="stuck", kind="yes-no", what="Down before the first press or after the last."),
            ReadingDeclaration(
                name="hold_visible",
                kind="yes-no",
                what="Whether the hardware shows how long the button is held.",
                optional=True,
            ),
            ReadingDeclaration(
                name="hold_shortest", kind="number", unit="s", what="Shortest press.", optional=True
            ),
            ReadingDeclaration(name="hold_longest", kind="number", unit="s", what="Longest press.", optional=True),
            ReadingDeclaration(
                name="demonstrated",
                kind="number",
                unit="%",
                what="Without a miss: the share of presses that register at the least, at 95 % confidence.",
                optional=True,
            ),
        ),
        services=("files", "buttons"),
        privileges=("read access to /dev/input (root, or the group input)",),
        sources=(
            "Linux include/uapi/linux/input.h (struct input_event), input-event-codes.h (KEY_POWER)",
            "Linux drivers/acpi/button.c (press and release are reported together)",
            "Success-run theorem: R = (1 − C)^(1/N)",
        ),
        example="""\
[[checks]]
id = "power-button-presses"
title = "Power button registers every press"
probe = "button.presses"
settings = { presses = 10 }
limits = [
  { reading = "missed", at_most = 0, unit = "1", source = "maker" },
  { reading = "doubled", at_most = 0, unit = "1", source = "maker" },
  { reading = "stuck", is = false, source = "maker" },
]
""",
        cues=True,
        timeout=3600.0,
    )

    def __init__(self, chance: random.Random | None = None) -> None:
        self._chance = chance

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises Absent without a power button; NotPossible where it has no event device."""
        buttons = await power_buttons(host)
        devices = [b.event for b in buttons if b.event]
        if not devices:
            raise NotPossible("the power button has no event device that could be watched")
        origin = ", ".join(f"/dev/input/{device}" for device in devices)
        async with buttons_of(host).watch(devices, POWER_KEYS) as watch:
            yield Reading(name="name", value=buttons[0].name, origin=buttons[0].at, exact=True)
            held_back = watch.held_back or "nothing"
            yield Reading(name="held_back", value=held_back, origin=origin, exact=True)
            if not watch.held_back:
                yield Cue(
                    say="Nothing keeps this computer from acting on its power button: a press may switch it off. "
                    "Save your work. Go on only if that may happen; else type :cannot.",
                    wait=True,
                )
            yield Cue(
                say=f"You will be asked {settings.presses} times to press the power button, at moments that "
                "chance decides. Press it once and briefly each time, and not before.",
                wait=True,
            )
            while await watch.next(0.0):  # what was pressed while reading this answers nothing
                pass
            chance = self._chance or chance_of(host, "presses")
            events: list[KeyEvent] = []
            cues: list[float] = []
            for number in range(1, settings.presses + 1):
                await _quiet(host, watch, events, chance.uniform(SHORTEST_GAP, settings.longest_gap))
                yield Cue(say=f"Press now ({number} of {settings.presses})", act="press")
                cues.append(host.clocks.loop())
                await _answer(host, watch, events, settings.patience)
            await _quiet(host, watch, events, SHORTEST_GAP)
        for reading in _readings(events, cues, settings, origin, down=watch.down):
            yield reading


async def _quiet(host: Host, watch: KeyWatch, events: list[KeyEvent], seconds: float) -> None:
    """Collect events for so many seconds, and on until the button has rested: a late press must not be taken
    for the answer to the next cue. A button that never rests is not waited for."""
    begun = host.clocks.loop()
    end = begun + seconds
    while (left := end - host.clocks.loop()) > 0:
        if (event := await watch.next(left)) is None:
            return
        if event.value != REPEATED:
            events.append(event)
            end = min(max(end, event.seen + SHORTEST_GAP), begun + seconds + RESTLESS)


async def _answer(host: Host, watch: KeyWatch, events: list[KeyEvent], patience: float) -> None:
    """Collect events up to the first press that can be an answer, at the longest as long as patience lasts."""
    begun = host.clocks.loop()
    while (left := begun + patience - host.clocks.loop()) > 0:
        if (event := await watch.next(left)) is None:
            return
        if event.value != REPEATED:
            events.append(event)
        if event.value == 1 and event.seen >= begun + FASTEST:
            return


def _readings(
    events: list[KeyEvent], cues: list[float], settings: Settings, origin: str, *, down: bool
) -> list[Reading]:
    presses = presses_of(events)
    found = matched(cues, presses, patience=settings.patience)
    counts = {
        "asked": len(cues),
        "registered": found.in_time + found.late,
        "missed": found.missed,
        "late": found.late,
        "doubled": found.doubled,
        "unasked": found.unasked,
        "bounced": sum(press.bounces for press in presses),
    }
    readings = [Reading(name=n, value=v, unit="1", origin=origin, exact=True) for n, v in counts.items()]
    stuck = down or any(press.held is None for press in presses)
    readings.append(Reading(name="stuck", value=stuck, origin=origin, exact=True))
    holds = [press.held for press in presses if press.held is not None]
    if holds:
        visible = max(holds) >= VISIBLE_HOLD
        readings.append(Reading(name="hold_visible", value=visible, origin=origin, exact=True))
        if visible:
            for name, seconds in (("hold_shortest", min(holds)), ("hold_longest", max(holds))):
                readings.append(Reading(name=name, value=round(seconds, 6), unit="s", origin=origin, exact=True))
    if cues and not found.missed:
        readings.append(demonstration(len(cues)))
    return readings
