"""Sound cards, and the switches in their sockets."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Literal

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.attributes import NO_VALUE, clean, names_in
from verifier.gather.probes.input_devices import InputDevice, input_devices
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

ASOUND = "/proc/asound"
SOUND = "/sys/class/sound"
CARDS_LIMIT = 32
"""SNDRV_CARDS in include/sound/core.h (from memory)."""
_CARD = re.compile(r"\s*(\d{1,2}) \[(.{1,15}?)\s*\]: .{1,60}? - (.+)")

Socket = Literal["headphone", "microphone", "line-out", "line-in"]
SWITCHES: dict[str, tuple[int, str]] = {
    "headphone": (0x02, "SW_HEADPHONE_INSERT"),
    "microphone": (0x04, "SW_MICROPHONE_INSERT"),
    "line-out": (0x06, "SW_LINEOUT_INSERT"),
    "line-in": (0x0D, "SW_LINEIN_INSERT"),
}
"""Switches of sound sockets in include/uapi/linux/input-event-codes.h."""


@dataclass(frozen=True, slots=True)
class _Card:
    number: int
    id: str
    name: str


@dataclass(frozen=True, slots=True)
class CardSettings:
    card: str = ""
    """Number or id of the card, such as 0 or PCH; may be left out where there is one."""


@dataclass(frozen=True, slots=True)
class JackSettings:
    socket: Socket = "headphone"
    """headphone, microphone, line-out or line-in."""

    def __post_init__(self) -> None:
        if self.socket not in SWITCHES:
            raise ValueError(f"{self.socket!r} is none of {', '.join(SWITCHES)}")


class Card:
    declaration = ProbeDeclaration(
        name="sound.card",
        title="Sound card",
        what="Tells which sound cards the system has and what the chosen one can do. No sound is made.",
        settings=CardSettings,
        readings=(
            ReadingDeclaration(name="cards", kind="number", unit="1", what="Sound cards there are."),
            ReadingDeclaration(name="card", kind="text", what="Id of the card that was read."),
            ReadingDeclaration(name="name", kind="text", what="Its name.", optional=True),
            ReadingDeclaration(name="playback", kind="number", unit="1", what="Outputs it has."),
            ReadingDeclaration(name="capture", kind="number", unit="1", what="Inputs it has."),
        ),
        sources=(
            "Linux Documentation/sound/designs/procfile.rst (cards, card#/pcm##p, pcm##c)",
            "Linux sound/core/pcm.c (pcmC#D#p, pcmC#D#c under /sys/class/sound)",
        ),
        example="""\
[[checks]]
id = "sound"
title = "Sound module"
probe = "sound.card"
limits = [{ reading = "playback", at_least = 1, unit = "1", source = "maker" }]
""",
        timeout=15.0,
    )

    async def take(self, host: Host, settings: CardSettings) -> AsyncIterator[Reading]:
        """Raises Absent without such a card; NotPossible when a choice is left open."""
        cards = await _cards(host.files)
        if not cards:
            raise Absent("this host has no sound card")
        card = _chosen(cards, settings.card)
        outputs, inputs, origin = await _streams(host.files, card.number)
        yield Reading(name="cards", value=len(cards), unit="1", origin=f"{ASOUND}/cards", exact=True)
        yield Reading(name="card", value=card.id, origin=f"{ASOUND}/cards", exact=True)
        if card.name:
            yield Reading(name="name", value=card.name, origin=f"{ASOUND}/cards", exact=True)
        yield Reading(name="playback", value=outputs, unit="1", origin=origin, exact=True)
        yield Reading(name="capture", value=inputs, unit="1", origin=origin, exact=True)


class Jack:
    declaration = ProbeDeclaration(
        name="sound.jack",
        title="Sense of a sound socket",
        what=(
            "Tells whether a sound socket can sense a plug, and, through the program evtest on the host, whether "
            "one is in. Needs a card whose driver reports its sockets as switches."
        ),
        settings=JackSettings,
        readings=(
            ReadingDeclaration(name="sockets", kind="number", unit="1", what="Sockets of this kind with sense."),
            ReadingDeclaration(name="name", kind="text", what="What the first of them is called."),
            ReadingDeclaration(
                name="plugged",
                kind="yes-no",
                what="Whether a plug is in any of them; missing without evtest or the right to ask.",
                optional=True,
            ),
        ),
        services=("files", "commands"),
        privileges=("root or the group input, for plugged; without it this one is missing",),
        sources=(
            "Linux Documentation/sound/designs/jack-controls.rst (an input device for each jack)",
            "Linux include/uapi/linux/input-event-codes.h (SW_HEADPHONE_INSERT 0x02, SW_MICROPHONE_INSERT 0x04, "
            "SW_LINEOUT_INSERT 0x06, SW_LINEIN_INSERT 0x0d)",
            "evtest(1), --query: exit code 10 is on, 0 off",
        ),
        example="""\
[[checks]]
id = "headphones"
title = "Headphone socket senses the plug"
probe = "sound.jack"
settings = { socket = "headphone" }
limits = [{ reading = "plugged", is = true, source = "with a plug in; maker" }]
""",
        timeout=20.0,
    )

    async def take(self, host: Host, settings: JackSettings) -> AsyncIterator[Reading]:
        """Raises Absent when no socket of the kind has a sense."""
        bit, switch = SWITCHES[settings.socket]
        found = [d for d in await input_devices(host) if bit in d.switches]
        if not found:
            raise Absent(f"this host has no {settings.socket} socket that senses a plug")
        yield Reading(name="sockets", value=len(found), unit="1", origin="/sys/class/input", exact=True)
        yield Reading(name="name", value=found[0].name, origin=found[0].at, exact=True)
        states = [await _state(host, d, switch) for d in found]
        if None not in states:
            yield Reading(name="plugged", value=any(states), origin=f"evtest --query {switch}", exact=True)


async def _state(host: Host, device: InputDevice, switch: str) -> bool | None:
    if not device.event:
        return None
    try:
        result = await host.commands.run("evtest", "--query", f"/dev/input/{device.event}", "EV_SW", switch)
    except (Absent, NotPossible):
        return None
    return {0: False, 10: True}.get(result.exit)


async def _cards(files: Files) -> list[_Card]:
    try:
        text = (await files.read(f"{ASOUND}/cards", 16_384)).decode("utf-8", "replace")
    except OSError as error:
        if error.errno not in NO_VALUE:
            raise
        text = ""
    matches = [m for line in text.splitlines() if (m := _CARD.fullmatch(line[:300]))]
    cards = [_Card(int(m[1]), clean(m[2].encode()) or m[1], clean(m[3].encode())) for m in matches[:CARDS_LIMIT]]
    if not cards:
        # A recording may hold /sys alone.
        numbers = [m[1] for n in await names_in(files, SOUND) if (m := re.fullmatch(r"card(\d{1,2})", n))]
        cards = [_Card(int(n), n, "") for n in numbers[:CARDS_LIMIT]]
    return cards


def _chosen(cards: list[_Card], wanted: str) -> _Card:
    if wanted:
        fitting = [c for c in cards if wanted in (str(c.number), c.id)]
        if not fitting:
            known = ", ".join(c.id for c in cards)
            raise Absent(f"there is no sound card {wanted[:50]!r}; there are {known}")
        return fitting[0]
    if len(cards) > 1:
        known = ", ".join(c.id for c in cards)
        raise NotPossible(f"this host has several sound cards ({known}): name one in the check's settings")
    return cards[0]


async def _streams(files: Files, card: int) -> tuple[int, int, str]:
    """How many outputs and inputs a card has, and where that stands."""
    names = [n for n in await names_in(files, f"{ASOUND}/card{card}") if re.fullmatch(r"pcm\d{1,3}[pc]", n)]
    origin = f"{ASOUND}/card{card}"
    if not names:
        names = [n for n in await names_in(files, SOUND) if re.fullmatch(rf"pcmC{card}D\d{{1,3}}[pc]", n)]
        origin = SOUND
    return sum(n.endswith("p") for n in names), sum(n.endswith("c") for n in names), origin
