"""A touch screen under a finger: which cells of it answer, and whether it answers when nobody touches it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from fnmatch import fnmatchcase

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.contacts import (
    POSITION_X,
    POSITION_Y,
    SLOT,
    TRACKING_ID,
    Range,
    cell_of,
    cells_in_words,
    contacts_of,
)
from verifier.gather.probes.input_devices import InputDevice, input_devices
from verifier.readings import Grid, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host, Input, input_of
from verifier.steps import Cue

LEGEND = (
    ("o", "answered"),
    ("x", "did not answer"),
    ("g", "touched by nobody"),
    ("b", "did not answer, and was touched by nobody"),
)
MOST_CELLS = 100


@dataclass(frozen=True, slots=True)
class Settings:
    columns: int = 24
    """Cells from left to right, as the panel itself counts, 1 to 100."""
    rows: int = 16
    """Cells from top to bottom, 1 to 100."""
    seconds: float = 20.0
    """How long one wipe over the screen may take, 2 to 120."""
    wipes: int = 3
    """Wipes at the most, 1 to 10: after the first only the cells that are left are asked for."""
    quiet: float = 5.0
    """Seconds without a touch, in which nothing may be reported, 1 to 60."""
    name: str = "*"
    """What the panel calls itself, where there are several; * and ? stand for any text."""
    width: int = 0
    """Values that its x axis has, from 0; only for hosts that cannot say, such as a unit over SSH."""
    height: int = 0
    """The same for its y axis."""

    def __post_init__(self) -> None:
        if not (1 <= self.columns <= MOST_CELLS and 1 <= self.rows <= MOST_CELLS):
            raise ValueError(f"columns and rows are whole numbers from 1 to {MOST_CELLS}")
        if not (2 <= self.seconds <= 120 and 1 <= self.quiet <= 60 and 1 <= self.wipes <= 10):
            raise ValueError("seconds is 2 to 120, quiet 1 to 60, wipes 1 to 10")
        if not (0 <= self.width <= 1 << 20 and 0 <= self.height <= 1 << 20):
            raise ValueError("width and height are how many values the axes have")
        if not (self.name.isprintable() and 0 < len(self.name) <= 80):
            raise ValueError("name is a short printable text")


class TouchGrid:
    declaration = ProbeDeclaration(
        name="touch.cells",
        title="Touch screen, cell by cell",
        what=(
            "Has the technician keep away from the touch screen for some seconds, then wipe a finger over all of "
            "it, and tells which cells of a grid answered. Only places that the panel reported count, none "
            "between two of them. Cells are counted as the panel counts, from its own top left: a display that "
            "is turned shows them turned. On this computer the touches do nothing else meanwhile; over SSH "
            "whatever is on the screen gets them too, and the suite has to say how many values the axes have."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="panel", kind="text", what="What the panel calls itself."),
            ReadingDeclaration(name="cells", kind="number", unit="1", what="Cells that were looked at."),
            ReadingDeclaration(name="dead", kind="number", unit="1", what="Cells that did not answer."),
            ReadingDeclaration(name="dead_where", kind="text", what="Which cells those are."),
            ReadingDeclaration(
                name="ghosts", kind="number", unit="1", what="Contacts reported while nobody touched the screen."
            ),
            ReadingDeclaration(name="ghosts_where", kind="text", what="Which cells those were in."),
            ReadingDeclaration(name="wipes", kind="number", unit="1", what="Wipes that were needed."),
        ),
        services=("files", "input"),
        privileges=("read access to /dev/input (root, or the group input)",),
        sources=(
            "Linux Documentation/input/multi-touch-protocol.rst (protocol type B)",
            "Linux include/uapi/linux/input-event-codes.h (ABS_MT_SLOT 0x2f, ABS_MT_POSITION_X 0x35, "
            "ABS_MT_POSITION_Y 0x36, ABS_MT_TRACKING_ID 0x39, INPUT_PROP_DIRECT)",
        ),
        example="""\
[[checks]]
id = "touch-cells"
title = "Every cell of the touch screen answers, and none by itself"
probe = "touch.cells"
settings = { columns = 24, rows = 16, width = 4096, height = 2560 }
limits = [
  { reading = "dead", at_most = 0, unit = "1", source = "maker" },
  { reading = "ghosts", at_most = 0, unit = "1", source = "maker" },
]
""",
        cues=True,
        timeout=1500.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        """Raises Absent without a touch screen; NotPossible where which one, or how large it is, is left open."""
        source, panel = input_of(host), await _panel(host, settings.name)
        x = await _range(source, panel, POSITION_X, settings.width, "width")
        y = await _range(source, panel, POSITION_Y, settings.height, "height")
        origin = f"/dev/input/{panel.event}"

        def touched(contacts: list[list[tuple[int, int]]]) -> set[tuple[int, int]]:
            return {cell_of(p, x, y, settings.columns, settings.rows) for points in contacts for p in points}

        yield Reading(name="panel", value=panel.name, origin=panel.at, exact=True)
        yield Cue(
            say="Wipe the glass dry, take everything off it, and keep your hands away for "
            f"{settings.quiet:g} s from when you go on.",
            wait=True,
        )
        ghosts = contacts_of(await source.record(panel.event, settings.quiet))
        haunted = touched(ghosts)
        everything = [(column, row) for row in range(settings.rows) for column in range(settings.columns)]
        dead, wipes = everything, 0
        while dead and wipes < settings.wipes:
            yield Cue(say=_order(dead, everything, settings.seconds), wait=True, act="wipe")
            reached = touched(contacts_of(await source.record(panel.event, settings.seconds)))
            wipes += 1
            dead = [cell for cell in dead if cell not in reached]
        yield Cue(say="That is enough: take your finger off the glass.")
        for name, count, grid in (
            ("cells", len(everything), None),
            ("dead", len(dead), _grid(settings, set(dead), haunted)),
            ("ghosts", len(ghosts), None),
            ("wipes", wipes, None),
        ):
            yield Reading(name=name, value=count, unit="1", origin=origin, exact=True, grid=grid)
        for name, cells in (("dead_where", dead), ("ghosts_where", sorted(haunted))):
            yield Reading(name=name, value=cells_in_words(cells), origin=origin, exact=True)


def _order(dead: list[tuple[int, int]], everything: list[tuple[int, int]], seconds: float) -> str:
    if len(dead) == len(everything):
        return (
            f"Within {seconds:g} s from when you go on, wipe one finger over all of the glass, line by line, "
            "corners and edges too."
        )
    return (
        f"{len(dead)} of {len(everything)} cells did not answer ({cells_in_words(dead, 4)}, from the top left). "
        f"Wipe over these again, slowly, within {seconds:g} s from when you go on."
    )


async def _panel(host: Host, name: str) -> InputDevice:
    needed = {POSITION_X, POSITION_Y}
    panels = [d for d in await input_devices(host) if d.direct and needed <= d.axes and d.event]
    panels = [d for d in panels if fnmatchcase(d.name.casefold(), name.casefold())]
    if not panels:
        raise Absent("this host has no touch screen" + (f" called {name}" if name != "*" else ""))
    if len(panels) > 1:
        listed = ", ".join(panel.name for panel in panels[:5])
        raise NotPossible(
            f"this host has several touch screens ({listed[:200]}): name one in the check's settings"
        )
    if not {SLOT, TRACKING_ID} <= panels[0].axes:
        raise NotPossible(f"{panels[0].name} reports touches without slots (protocol type A), which is not read")
    return panels[0]


async def _range(source: Input, panel: InputDevice, code: int, values: int, setting: str) -> Range:
    told = await source.axis(panel.event, code)
    if told is not None:
        return told
    if values < 2:
        raise NotPossible(f"how many values {panel.name} has cannot be asked here: give {setting} in the settings")
    return (0, values - 1)


def _grid(settings: Settings, dead: set[tuple[int, int]], haunted: set[tuple[int, int]]) -> Grid:
    signs = {(False, False): "o", (True, False): "x", (False, True): "g", (True, True): "b"}
    rows = tuple(
        "".join(signs[(column, row) in dead, (column, row) in haunted] for column in range(settings.columns))
        for row in range(settings.rows)
    )
    return Grid(rows=rows, legend=LEGEND)
