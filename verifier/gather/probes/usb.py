"""USB devices, by the physical path of the port they are plugged into."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent
from verifier.gather.probes.attributes import names_in, text_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

DEVICES = "/sys/bus/usb/devices"
HUB = "09"
"""bDeviceClass of a hub (USB 2.0, table 11-22; from memory)."""
_PATH = re.compile(r"\d{1,3}-\d{1,3}(\.\d{1,3}){0,6}")
_SPEED = re.compile(r"\d{1,6}(\.\d)?")
SOURCES = (
    "Linux Documentation/ABI/testing/sysfs-bus-usb (speed, idVendor, idProduct, product, manufacturer)",
    "Linux drivers/usb/core/sysfs.c speed_show (full speed reads 12, not 15 as the ABI text has it)",
)


@dataclass(frozen=True, slots=True)
class DeviceSettings:
    path: str
    """Physical path of the port as the kernel names it, such as 2-1, or 1-1.4 behind a hub."""
    or_path: str = ""
    """The same socket's other path: a USB 3 device whose fast contacts fail turns up at the USB 2 path instead."""

    def __post_init__(self) -> None:
        for path in (self.path, *((self.or_path,) if self.or_path else ())):
            if not _PATH.fullmatch(path):
                raise ValueError(f"{path!r} is no USB path, such as 2-1 or 1-1.4")


class Device:
    declaration = ProbeDeclaration(
        name="usb.device",
        title="USB device at a port",
        what=(
            "Reads which device is plugged in at one USB port and how fast it runs. Plug a known good device in "
            "before the check. Absent when nothing is there."
        ),
        settings=DeviceSettings,
        readings=(
            ReadingDeclaration(name="path", kind="text", what="The path where the device was found."),
            ReadingDeclaration(
                name="speed",
                kind="number",
                unit="Mbit/s",
                what="Signalling rate: 1.5, 12, 480, 5000, 10000 or 20000.",
                optional=True,
            ),
            ReadingDeclaration(name="vendor_id", kind="text", what="Four hexadecimal digits.", optional=True),
            ReadingDeclaration(name="product_id", kind="text", what="Four hexadecimal digits.", optional=True),
            ReadingDeclaration(name="maker", kind="text", what="What the device says.", optional=True),
            ReadingDeclaration(name="product", kind="text", what="What the device says.", optional=True),
        ),
        sources=SOURCES,
        example="""\
[[checks]]
id = "usb-2"
title = "Rear port 2"
probe = "usb.device"
settings = { path = "2-2", or_path = "1-2" }
covers = ["usb-2"]
limits = [{ reading = "speed", at_least = 5000, unit = "Mbit/s", source = "maker" }]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: DeviceSettings) -> AsyncIterator[Reading]:
        """Raises Absent when nothing is plugged in there."""
        path = await occupied(host.files, settings)
        at = f"{DEVICES}/{path}"
        yield Reading(name="path", value=path, origin=at, exact=True)
        speed = speed_of(await text_of(host.files, f"{at}/speed"))
        if speed is not None:
            yield Reading(name="speed", value=speed, unit="Mbit/s", origin=f"{at}/speed", exact=True)
        for name, file, pattern in (
            ("vendor_id", "idVendor", r"[0-9a-fA-F]{4}"),
            ("product_id", "idProduct", r"[0-9a-fA-F]{4}"),
            ("maker", "manufacturer", r".+"),
            ("product", "product", r".+"),
        ):
            text = await text_of(host.files, f"{at}/{file}")
            if text is not None and re.fullmatch(pattern, text):
                yield Reading(name=name, value=text, origin=f"{at}/{file}", exact=True)


def speed_of(text: str | None) -> float | None:
    """The rate in Mbit/s that a speed file tells, if any."""
    return float(text) if text is not None and _SPEED.fullmatch(text) and float(text) > 0 else None


async def occupied(files: Files, settings: DeviceSettings) -> str:
    paths = [p for p in (settings.path, settings.or_path) if p]
    for path in paths:
        if await files.exists(f"{DEVICES}/{path}/idVendor"):
            return path
    if not await files.exists(DEVICES):
        raise Absent("this host has no USB")
    raise Absent(f"nothing is plugged in at USB path {' or '.join(paths)}")


@dataclass(frozen=True, slots=True)
class DevicesSettings:
    """Takes no settings."""


class Devices:
    declaration = ProbeDeclaration(
        name="usb.devices",
        title="USB devices",
        what="Counts the USB controllers of a host, the hubs, and what is plugged in or built in behind them.",
        settings=DevicesSettings,
        readings=(
            ReadingDeclaration(name="controllers", kind="number", unit="1", what="Buses (root hubs)."),
            ReadingDeclaration(name="hubs", kind="number", unit="1", what="Hubs other than root hubs."),
            ReadingDeclaration(name="devices", kind="number", unit="1", what="Devices that are no hubs."),
        ),
        sources=SOURCES,
        example="""\
[[checks]]
id = "usb"
title = "USB controllers answer"
probe = "usb.devices"
limits = [{ reading = "controllers", at_least = 1, unit = "1", source = "judgement" }]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: DevicesSettings) -> AsyncIterator[Reading]:
        """Raises Absent when the host has no USB controller."""
        names = await names_in(host.files, DEVICES)
        controllers = sum(re.fullmatch(r"usb\d+", name) is not None for name in names)
        if not controllers:
            raise Absent("this host has no USB controller")
        classes = [
            await text_of(host.files, f"{DEVICES}/{name}/bDeviceClass") for name in names if _PATH.fullmatch(name)
        ]
        hubs = classes.count(HUB)
        for reading, count in (("controllers", controllers), ("hubs", hubs), ("devices", len(classes) - hubs)):
            yield Reading(name=reading, value=count, unit="1", origin=DEVICES, exact=True)
