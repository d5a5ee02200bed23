"""Who the unit says it is: DMI on machines with a BIOS, the device tree on others."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent
from verifier.gather.probes.attributes import text_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

DMI = "/sys/class/dmi/id"
DEVICE_TREE = "/proc/device-tree"

_PLACEHOLDERS = frozenset(
    {
        "to be filled by o.e.m",
        "to be filled by oem",
        "o.e.m",
        "oem",
        "default string",
        "default",
        "not specified",
        "not available",
        "not applicable",
        "not provided",
        "no asset information",
        "none",
        "null",
        "n/a",
        "na",
        "unknown",
        "undefined",
        "invalid",
        "empty",
        "system serial number",
        "system product name",
        "system manufacturer",
        "system version",
        "chassis serial number",
        "base board serial number",
        "serial number",
        "0123456789",
        "123456789",
        "1234567890",
    }
)
"""What makers leave in fields that nobody filled (common practice, no source)."""
_FILLER = re.compile(r"[\W_]*|(\W*0)+\W*|[xX]{2,}|[fF]{4,}", re.ASCII)
"""Nothing but punctuation, zeros, X or F: filler too. ASCII, so that other scripts are no punctuation."""


def is_placeholder(text: str) -> bool:
    """True for a text that stands where nobody filled in a value."""
    folded = text.casefold().strip().rstrip(".").strip()
    return folded in _PLACEHOLDERS or (folded.isascii() and _FILLER.fullmatch(folded) is not None)


@dataclass(frozen=True, slots=True)
class Settings:
    """Takes no settings."""


@dataclass(frozen=True, slots=True)
class _Place:
    name: str
    what: str
    dmi: str
    tree: str = ""


_PLACES = (
    _Place("serial", "Serial number of the whole unit", "product_serial", "serial-number"),
    _Place("maker", "Who made it", "sys_vendor"),
    _Place("product", "Product name", "product_name", "model"),
    _Place("product_version", "Version of the product", "product_version"),
    _Place("family", "Product family", "product_family"),
    _Place("stock_number", "Stock keeping number", "product_sku"),
    _Place("board", "Name of the main board", "board_name"),
    _Place("board_version", "Version of the main board", "board_version"),
    _Place("board_serial", "Serial number of the main board", "board_serial"),
    _Place("firmware", "Firmware version", "bios_version"),
    _Place("firmware_date", "Date of the firmware as its maker writes it", "bios_date"),
)


class Identity:
    declaration = ProbeDeclaration(
        name="identity",
        title="Identity",
        what=(
            "What the unit's firmware says of itself: serial number, maker, product, main board, firmware "
            "version. Fields that nobody filled in (such as Default string) read as missing."
        ),
        settings=Settings,
        readings=tuple(
            ReadingDeclaration(name=p.name, kind="text", what=f"{p.what}.", optional=True) for p in _PLACES
        ),
        privileges=("root, for serial and board_serial; without it these two are missing",),
        sources=(
            "Linux drivers/firmware/dmi-id.c (names and modes of /sys/class/dmi/id)",
            "Linux Documentation/ABI/testing/sysfs-firmware-ofw (/proc/device-tree)",
            "Devicetree Specification v0.4, 2.3.1 and 2.3.2 (compatible, model; from memory)",
        ),
        example="""\
[[checks]]
id = "identity"
title = "Firmware level"
probe = "identity"
limits = [{ reading = "firmware", equals = "3.4.1", source = "service document 12, revision 3" }]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when the host states nothing of itself."""
        said = False
        for place in _PLACES:
            for path in (f"{DMI}/{place.dmi}", f"{DEVICE_TREE}/{place.tree}" if place.tree else ""):
                text = await _stated(host.files, path) if path else None
                if text is not None:
                    said = True
                    yield Reading(name=place.name, value=text, origin=path, exact=True)
                    break
            else:
                if place.name == "maker" and (text := await _tree_maker(host.files)):
                    said = True
                    yield Reading(name="maker", value=text, origin=f"{DEVICE_TREE}/compatible", exact=True)
        if not said:
            raise Absent("this host says nothing of itself: it has neither DMI fields nor a device tree")


async def _stated(files: Files, path: str) -> str | None:
    try:
        text = await text_of(files, path)
    except PermissionError:
        return None  # the serial numbers are root's alone
    return None if text is None or is_placeholder(text) else text


async def _tree_maker(files: Files) -> str | None:
    # The first entry of `compatible` is "maker,board"; entries end with a zero byte, which reads as a blank.
    text = await _stated(files, f"{DEVICE_TREE}/compatible")
    maker, comma, _ = (text or "").partition(" ")[0].partition(",")
    return maker if comma and maker else None
