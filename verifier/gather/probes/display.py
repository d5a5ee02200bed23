"""Display connectors: is a display there, and does what it says of itself come through whole?"""

from __future__ import annotations

import errno
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.attributes import NO_VALUE, names_in, text_of
from verifier.gather.probes.edid import LONGEST, Edid, decode
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

DRM = "/sys/class/drm"
CONNECTORS_LIMIT = 256
MODES_LIMIT = 16_384
_CONNECTOR = re.compile(r"card\d{1,3}-(?P<socket>[A-Za-z][A-Za-z0-9-]{0,40})")


@dataclass(frozen=True, slots=True)
class Settings:
    connector: str = ""
    """Name of the connector as the kernel has it, such as HDMI-A-1, or card1-DP-2 where two cards have one of
    that name; may be left out where one display is connected."""

    def __post_init__(self) -> None:
        if self.connector and not re.fullmatch(r"(card\d{1,3}-)?[A-Za-z][A-Za-z0-9-]{0,40}", self.connector):
            raise ValueError(f"{self.connector!r} is no connector name, such as HDMI-A-1")


class Connector:
    declaration = ProbeDeclaration(
        name="display.connector",
        title="Display connector",
        what=(
            "Reads whether a display is connected to a socket and what it says of itself (EDID): maker, product, "
            "preferred mode. edid_valid tells whether that came through whole, by header, length, block sums "
            "and number of extensions, which a bent or dirty contact spoils. Connect a known good display."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="connector", kind="text", what="Which connector was read."),
            ReadingDeclaration(
                name="connected",
                kind="yes-no",
                what="Whether a display is there; missing where the driver cannot tell.",
                optional=True,
            ),
            ReadingDeclaration(
                name="enabled", kind="yes-no", what="Whether a picture is being sent.", optional=True
            ),
            ReadingDeclaration(name="modes", kind="number", unit="1", what="How many modes are offered."),
            ReadingDeclaration(
                name="edid_valid",
                kind="yes-no",
                what="Whether a whole EDID was read; missing while no display is connected.",
                optional=True,
            ),
            ReadingDeclaration(name="edid_fault", kind="text", what="What is wrong with the EDID.", optional=True),
            ReadingDeclaration(
                name="extensions", kind="number", unit="1", what="EDID extension blocks announced.", optional=True
            ),
            ReadingDeclaration(
                name="maker", kind="text", what="Three letters registered for the maker.", optional=True
            ),
            ReadingDeclaration(
                name="product", kind="number", unit="1", what="Product code of the maker.", optional=True
            ),
            ReadingDeclaration(name="name", kind="text", what="Product name, as stated.", optional=True),
            ReadingDeclaration(
                name="serial", kind="number", unit="1", what="Serial number of the display.", optional=True
            ),
            ReadingDeclaration(
                name="width", kind="number", unit="1", what="Pixels of a line, preferred mode.", optional=True
            ),
            ReadingDeclaration(
                name="height", kind="number", unit="1", what="Lines, preferred mode.", optional=True
            ),
            ReadingDeclaration(
                name="refresh",
                kind="number",
                unit="Hz",
                what="Refresh rate of the preferred mode as stated, not measured.",
                optional=True,
            ),
        ),
        sources=(
            "Linux drivers/gpu/drm/drm_sysfs.c (status, enabled, modes, edid)",
            "VESA E-EDID Standard, Release A2 (EDID 1.4), 3.3, 3.4, 3.10 and 3.11 (section numbers from memory)",
        ),
        example="""\
[[checks]]
id = "hdmi"
title = "Rear display socket"
probe = "display.connector"
settings = { connector = "HDMI-A-1" }
covers = ["hdmi"]
limits = [
  { reading = "connected", is = true, source = "with the reference display; maker" },
  { reading = "edid_valid", is = true, source = "VESA E-EDID, 3.3 and 3.11" },
  { reading = "height", at_least = 1080, unit = "1", source = "reference display of the bench" },
]
""",
        timeout=15.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such a connector; NotPossible when a choice is left open."""
        name, at = await chosen(host.files, settings.connector)
        yield Reading(name="connector", value=name, origin=at, exact=True)
        status = await text_of(host.files, f"{at}/status")
        if status in ("connected", "disconnected"):
            yield Reading(name="connected", value=status == "connected", origin=f"{at}/status", exact=True)
        enabled = await text_of(host.files, f"{at}/enabled")
        if enabled in ("enabled", "disabled"):
            yield Reading(name="enabled", value=enabled == "enabled", origin=f"{at}/enabled", exact=True)
        yield Reading(name="modes", value=await _modes(host.files, at), unit="1", origin=f"{at}/modes", exact=True)
        data = await _bytes(host.files, f"{at}/edid")
        if data or status == "connected":
            for reading in _of_edid(decode(data), f"{at}/edid"):
                yield reading


def _of_edid(edid: Edid, origin: str) -> list[Reading]:
    readings = [Reading(name="edid_valid", value=edid.valid, origin=origin, exact=True)]
    for name, text in (("edid_fault", edid.fault), ("maker", edid.maker), ("name", edid.name)):
        if text:
            readings.append(Reading(name=name, value=text, origin=origin, exact=True))
    mode = edid.preferred
    numbers = {
        "extensions": edid.extensions,
        "product": edid.product,
        "serial": edid.serial,
        "width": mode.width if mode else None,
        "height": mode.height if mode else None,
    }
    for name, number in numbers.items():
        if number is not None:
            readings.append(Reading(name=name, value=number, unit="1", origin=origin, exact=True))
    if mode:
        # Stated by the display, not measured: as exact as a text.
        readings.append(Reading(name="refresh", value=mode.refresh, unit="Hz", origin=origin, exact=True))
    return readings


async def chosen(files: Files, wanted: str) -> tuple[str, str]:
    """Name and folder of the connector that is meant."""
    found = await _connectors(files)
    if not found:
        raise Absent("this host has no display connector")
    if wanted:
        fitting = {n: at for n, at in found.items() if wanted in (n, n.partition("-")[2])}
        if not fitting:
            raise Absent(f"there is no display connector {wanted}; there are {', '.join(sorted(found)[:20])}")
    else:
        fitting = {n: at for n, at in found.items() if await text_of(files, f"{at}/status") == "connected"}
        if not fitting:
            raise Absent(f"no display is connected to any of {', '.join(sorted(found)[:20])}")
    if len(fitting) > 1:
        raise NotPossible(
            f"several display connectors fit ({', '.join(sorted(fitting)[:10])}): name one in the check's settings"
        )
    return next(iter(fitting.items()))


async def _connectors(files: Files) -> dict[str, str]:
    """Folders of connectors by name. They stand beside the cards; in some recordings inside them."""
    found = {}
    for name in (await names_in(files, DRM))[:CONNECTORS_LIMIT]:
        if _CONNECTOR.fullmatch(name):
            found[name] = f"{DRM}/{name}"
        elif re.fullmatch(r"card\d{1,3}", name):
            inside = (await names_in(files, f"{DRM}/{name}"))[:CONNECTORS_LIMIT]
            found.update({n: f"{DRM}/{name}/{n}" for n in inside if _CONNECTOR.fullmatch(n)})
    return found


async def _modes(files: Files, at: str) -> int:
    lines = (await _bytes(files, f"{at}/modes", MODES_LIMIT)).split(b"\n")
    return sum(re.fullmatch(rb"\d{1,5}x\d{1,5}i?", line) is not None for line in lines)


async def _bytes(files: Files, path: str, limit: int = LONGEST) -> bytes:
    try:
        return await files.read(path, limit)
    except OSError as error:
        if error.errno in NO_VALUE or error.errno == errno.EFBIG:
            return b""
        raise
