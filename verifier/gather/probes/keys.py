"""Side buttons under a finger: each asked for by name, and held against what the system reports."""

from __future__ import annotations

import random
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from verifier.errors import Absent
from verifier.gather.probes.buttons import LETTERS, PLUGGED_IN, POWER_KEYS
from verifier.gather.probes.input_devices import input_devices
from verifier.gather.probes.presses import DOUBLED, Press, presses_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host, InputEvent, KeyEvent, chance_of, input_of
from verifier.steps import Cue

EV_KEY = 1
MOST_KEYS = 12
LARGEST_CODE = 0x2FF
"""KEY_MAX in include/uapi/linux/input-event-codes.h."""
_COUNTS = (
    ("asked", "Presses asked for."),
    ("registered", "Presses of the button asked for that came; one for each time it was asked for."),
    ("missed", "Times that the button asked for did not come."),
    ("doubled", "Times that it came twice within half a second: one push that registered twice."),
    ("wrong", "Presses of another button of the same device than the one asked for."),
)


@dataclass(frozen=True, slots=True)
class Settings:
    keys: Mapping[str, int] = field(default_factory=dict)
    """What the technician calls each button, and its key code, such as { "volume up" = 115 }."""
    times: int = 3
    """How often each is asked for, 1 to 20."""
    seconds: float = 4.0
    """How long each press may take, 1 to 30."""

    def __post_init__(self) -> None:
        if not 1 <= len(self.keys) <= MOST_KEYS or len(set(self.keys.values())) != len(self.keys):
            raise ValueError(f"keys names 1 to {MOST_KEYS} buttons with a code of their own each")
        for name, code in self.keys.items():
            if not (name.isprintable() and 0 < len(name) <= 40) or not 0 < code <= LARGEST_CODE:
                raise ValueError(f"{name[:40]!r} = {code} is no button with its key code, such as 115")
            if code in POWER_KEYS:
                raise ValueError("the power button is for button.presses: pressed here it may switch the unit off")
        if not (1 <= self.times <= 20 and 1 <= self.seconds <= 30):
            raise ValueError("times is 1 to 20, seconds 1 to 30")


class SideButtons:
    declaration = ProbeDeclaration(
        name="button.side",
        title="Side buttons, pressed",
        what=(
            "Has the technician press each button by name, in an order that chance decides, and holds each press "
            "against what the system reports: missed, doubled, or another button than the one asked for (a flex "
            "that is plugged in askew). For all but the power button, which has button.presses."
        ),
        settings=Settings,
        readings=tuple(
            ReadingDeclaration(name=name, kind="number", unit="1", what=what) for name, what in _COUNTS
        ),
        services=("files", "input"),
        privileges=("read access to /dev/input (root, or the group input)",),
        sources=(
            "Linux include/uapi/linux/input-event-codes.h (KEY_VOLUMEDOWN 114, KEY_VOLUMEUP 115)",
            "Linux drivers/input/input.c, input_print_bitmap (capabilities/key)",
        ),
        example="""\
[[checks]]
id = "side-buttons"
title = "Side buttons register, each as itself"
probe = "button.side"
settings = { keys = { "volume up" = 115, "volume down" = 114 }, times = 3 }
limits = [
  { reading = "missed", at_most = 0, unit = "1", source = "maker" },
  { reading = "wrong", at_most = 0, unit = "1", source = "maker" },
]
""",
        cues=True,
        timeout=1800.0,
    )

    def __init__(self, chance: random.Random | None = None) -> None:
        self._chance = chance

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises Absent when no input device has one of these buttons."""
        source = input_of(host)
        own = [
            d for d in await input_devices(host) if d.event and not d.keys & LETTERS and d.bus not in PLUGGED_IN
        ]
        devices = {}
        for name, code in settings.keys.items():
            found = next((device for device in own if code in device.keys), None)
            if found is None:
                raise Absent(f"this host knows no button {name} (key code {code})")
            devices[name] = found
        order = [name for name in settings.keys for _ in range(settings.times)]
        (self._chance or chance_of(host, "keys")).shuffle(order)
        counts = dict.fromkeys((name for name, _ in _COUNTS), 0)
        for number, name in enumerate(order, 1):
            yield Cue(
                say=f"{number} of {len(order)}: go on, and then press {name} once and briefly, within "
                f"{settings.seconds:g} s.",
                wait=True,
                act="press",
                at=str(settings.keys[name]),
            )
            events = await source.record(devices[name].event, settings.seconds)
            mine = _presses(events, {settings.keys[name]})
            others = _presses(events, set(settings.keys.values()) - {settings.keys[name]})
            counts["asked"] += 1
            counts["registered"] += bool(mine)
            counts["missed"] += not mine
            counts["doubled"] += any(b.at - a.at <= DOUBLED for a, b in pairwise(mine))
            counts["wrong"] += len(others)
        origin = ", ".join(sorted({f"/dev/input/{device.event}" for device in devices.values()}))
        for reading, count in counts.items():
            yield Reading(name=reading, value=count, unit="1", origin=origin, exact=True)


def _presses(events: tuple[InputEvent, ...], codes: set[int]) -> list[Press]:
    return presses_of(
        KeyEvent(device="", code=event.code, value=event.value, at=event.at, seen=event.at)
        for event in events
        if event.kind == EV_KEY and event.code in codes
    )
