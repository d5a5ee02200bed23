"""Looking: the unit draws a number of coloured squares that chance draws, and the technician says how many.

Drawn on the kernel's own text console (a virtual terminal), which reaches every display that the kernel drives and
needs nothing of a desktop: a shell and its printf. One command on the unit shows the picture, waits, clears it and
goes back to what was in front, so that it does not stay there when the link to the unit is lost.
"""

from __future__ import annotations

import random
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent, NotPossible
from verifier.gather.probes import counted
from verifier.gather.probes.attributes import names_in, text_of
from verifier.readings import ProbeDeclaration, Reading
from verifier.services import Files, Host, chance_of
from verifier.steps import Ask, Cue

ACTIVE = "/sys/class/tty/tty0/active"
CONSOLES = "/sys/class/vtconsole"
COLUMNS, ROWS = 4, 3
"""Places for squares, all over the display."""
USUAL = (24, 80)
"""Rows and columns of a text console that does not tell."""
SMALLEST = (12, 32)
"""With fewer rows or columns the squares are no squares any more."""
SIZE = 'unset LINES COLUMNS; stty size <"$1"'
"""$1 the console's device; prints its rows and columns (GNU and busybox stty; the latter would take variables)."""
RED, GREEN, BLUE, WHITE = 41, 42, 44, 47
"""Backgrounds (ECMA-48, SGR). The first three light one colour alone: without that channel they are not seen."""
NO_SWITCH, NO_DRAWING = 10, 11
SCRIPT = (
    r"trap "
    "'"
    'printf "\033[0m\033[2J\033[H\033[?25h" >"$1"; [ -z "$4" ] || chvt "$4"'
    "'"
    " EXIT; "
    "trap 'exit 1' HUP INT TERM; "
    f'[ -z "$4" ] || chvt "${{1#/dev/tty}}" || exit {NO_SWITCH}; '
    f'printf "$2" >"$1" || exit {NO_DRAWING}; '
    'sleep "$3"'
)
"""$1 the console's device, $2 the drawing as printf has it, $3 seconds, $4 the console to go back to, or
nothing."""


@dataclass(frozen=True, slots=True)
class Settings:
    label: str = ""
    """The marking of the display, as the technician reads it, such as 6."""
    console: int = 0
    """Number of the text console that is drawn on, 1 to 63: it is brought to the front with chvt and left again.
    With 0 (the default) the one in front is drawn on as it is: for units without a desktop."""
    seconds: int = 6
    """How long the squares are shown, 2 to 60."""

    def __post_init__(self) -> None:
        if not (0 <= self.console <= 63 and 2 <= self.seconds <= 60):
            raise ValueError("console lies between 0 and 63, seconds between 2 and 60")
        if not (self.label.isprintable() and len(self.label) <= 60):
            raise ValueError("label is a short printable text")


class Picture:
    declaration = ProbeDeclaration(
        name="display.picture",
        title="Squares, counted by eye",
        what=(
            "Draws 3 to 9 squares on the unit's own displays, as chance has it, for a few seconds, and asks the "
            "technician how many they were: that cannot be answered without looking. The number stands nowhere "
            "before the answer. At least one is red, one green, one blue, so that a display without one of its "
            'colours shows too few. A guess is right once in seven: repeat = { times = 2, pool = "worst" } makes '
            "that once in 49. All displays of the unit show the same picture: exchanged plugs are not found. "
            "Drawn on a text console of the kernel: a unit with a desktop needs console = 9 and the program "
            "chvt; a unit without any text console cannot be asked this way."
        ),
        settings=Settings,
        readings=counted.READINGS,
        services=("files", "commands"),
        privileges=("root on the unit, or the group tty (and root for chvt)",),
        sources=(
            "Linux console_codes(4) (ECMA-48 SGR), Documentation/ABI/testing/sysfs-tty (tty0/active)",
            "Linux Documentation/driver-api/console.rst (vtconsole: bind, name)",
        ),
        example="""\
[[checks]]
id = "display-1-picture"
title = "Port 6 shows a picture"
probe = "display.picture"
settings = { label = "6", console = 9 }
covers = ["display-1"]
limits = [{ reading = "counted_right", is = true, source = "judgement" }]
""",
        cues=True,
        timeout=120.0,
    )

    def __init__(self, chance: random.Random | None = None) -> None:
        self._chance = chance

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue | Ask]:
        """Raises NotPossible where there is no text console on a display, or it may not be drawn on."""
        front = await _front(host.files)
        on = f"the display marked {settings.label}" if settings.label else "the unit's display"
        yield Cue(
            say=f"Look at {on}. It will show coloured squares for {settings.seconds} s: count them. "
            "(If it shows a desktop or anything else instead, type :cannot afterwards.)",
            wait=True,
        )
        chance = self._chance or chance_of(host, f"squares/{settings.label}")
        number = counted.drawn(chance)
        console = f"/dev/tty{settings.console or front}"
        back = str(front) if settings.console not in (0, front) else ""
        rows, columns = await _size(host, console)
        await _show(host, console, drawing(number, chance, rows, columns), settings.seconds, back)
        ask = Ask(
            say="How many squares did you see? 0 if the display stayed dark.",
            pattern=counted.ANSWER,
            hint="a number",
            about="squares",
        )
        yield ask
        for reading in counted.readings(number, ask.answer, console):
            yield reading


async def _front(files: Files) -> int:
    """The number of the text console in front. NotPossible where the kernel draws none on any display."""
    active = re.fullmatch(r"tty(\d{1,2})", await text_of(files, ACTIVE) or "")
    if active is None:
        raise NotPossible("this host has no text console on which a picture could be drawn")
    for name in await names_in(files, CONSOLES):
        driver = await text_of(files, f"{CONSOLES}/{name}/name") or ""
        if await text_of(files, f"{CONSOLES}/{name}/bind") == "1" and "dummy" not in driver:
            return int(active[1])
    raise NotPossible("the kernel of this host draws its text console on no display")


async def _size(host: Host, console: str) -> tuple[int, int]:
    """Rows and columns of the console: a small panel has fewer than most. NotPossible where they are too few."""
    try:
        told = (await host.commands.run("sh", "-c", SIZE, "sh", console)).stdout
    except Absent:
        told = ""
    found = re.fullmatch(r"(\d{1,4}) (\d{1,4})\s*", told)
    rows, columns = (int(found[1]), int(found[2])) if found and found[1] != "0" else USUAL
    if rows < SMALLEST[0] or columns < SMALLEST[1]:
        raise NotPossible(f"{console} has only {columns} columns and {rows} rows: too few to draw squares")
    return rows, columns


def drawing(number: int, chance: random.Random, rows: int = USUAL[0], columns: int = USUAL[1]) -> str:
    """Control sequences that draw so many squares on a black screen of that size, as printf reads them."""
    colours = [RED, GREEN, BLUE, *(chance.choice((RED, GREEN, BLUE, WHITE)) for _ in range(number - 3))]
    places = chance.sample(range(COLUMNS * ROWS), number)
    across, down = columns // COLUMNS, rows // ROWS
    # Characters are twice as high as wide; some of each place stays black about its square.
    high = min(down * 2 // 3, across * 2 // 5)
    drawn = [r"\033[0m\033[2J\033[?25l"]
    for place, colour in zip(places, colours, strict=True):
        top = 1 + place // COLUMNS * down + (down - high) // 2
        left = 1 + place % COLUMNS * across + (across - 2 * high) // 2
        lines = "".join(rf"\033[{top + row};{left}H{' ' * (2 * high)}" for row in range(high))
        drawn.append(rf"\033[{colour}m{lines}")
    return "".join(drawn) + r"\033[0m\033[H"


async def _show(host: Host, console: str, picture: str, seconds: int, back: str) -> None:
    argv = ("sh", "-c", SCRIPT, "sh", console, picture, str(seconds), back)
    try:
        result = await host.commands.run(*argv, timeout=seconds + 20)
    except Absent as error:  # a shell that is missing is no fault of the display
        raise NotPossible(error.what) from None
    if result.exit == NO_SWITCH:
        raise NotPossible(
            f"{console} cannot be brought to the front: that takes the program chvt (Debian package kbd) and root"
        )
    if result.exit == NO_DRAWING:
        raise NotPossible(f"{console} may not be drawn on: that takes root, or the group tty")
    if result.exit != 0:
        raise NotPossible(f"nothing could be drawn on {console}: the shell ended with exit code {result.exit}")
