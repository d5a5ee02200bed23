"""Data over a USB port: written to the station's own test medium, read back, compared."""

from __future__ import annotations

import random
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import NotPossible
from verifier.gather.probes.attributes import names_in, text_of
from verifier.gather.probes.usb import DeviceSettings, occupied
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host, media_of

BLOCKS = "/sys/class/block"
MOUNTS = "/proc/self/mountinfo"
MOUNTS_LIMIT = 1 << 20
MEGABYTE = 1_000_000
_NUMBER = re.compile(r"(\d{1,7}):(\d{1,7})")
_ESCAPED = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True, slots=True)
class Settings(DeviceSettings):
    megabytes: int = 16
    """How much is written and read back, 1 to 256 (of a million bytes each)."""

    def __post_init__(self) -> None:
        # Named, since `super()` finds no class in a dataclass with slots.
        DeviceSettings.__post_init__(self)
        if not 1 <= self.megabytes <= 256:
            raise ValueError("megabytes is a whole number from 1 to 256")


class Data:
    declaration = ProbeDeclaration(
        name="usb.data",
        title="Data over a USB port",
        what=(
            "Writes chance data to a test medium at one port, flushes it, reads it back past the page cache, "
            "compares, and removes it. Only a medium that carries the file verifier-test-medium is ever written "
            "to: its first line is that name, its second one names the medium. The medium has to be mounted and "
            "writable; the probe mounts nothing. Absent when nothing is plugged in there. Errors while writing or "
            "reading are the port's or the medium's: keep a second medium to tell which. What the medium itself "
            "caches cannot be got past."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="medium", kind="text", what="What the medium's marker calls it."),
            ReadingDeclaration(name="identical", kind="yes-no", what="Whether what was read is what was written."),
            ReadingDeclaration(
                name="fault", kind="text", what="Where writing or reading broke off, what was said.", optional=True
            ),
            ReadingDeclaration(
                name="write_rate", kind="number", unit="MBy/s", what="With the flush.", optional=True
            ),
            ReadingDeclaration(name="read_rate", kind="number", unit="MBy/s", what="Of reading.", optional=True),
            ReadingDeclaration(
                name="past_cache",
                kind="yes-no",
                what="Whether it was read past the page cache; else the kernel was only asked to drop it.",
                optional=True,
            ),
        ),
        services=("files", "media"),
        privileges=("the right to write to the mounted test medium",),
        sources=(
            "Linux Documentation/filesystems/proc.rst, 3.5 (mountinfo)",
            "Linux Documentation/ABI/stable/sysfs-block (dev)",
        ),
        example="""\
[[checks]]
id = "usb-2-data"
title = "Rear port 2 carries data"
probe = "usb.data"
settings = { path = "2-2", or_path = "1-2" }
covers = ["usb-2"]
limits = [{ reading = "identical", is = true, source = "maker" }]
""",
        timeout=300.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when nothing is plugged in; NotPossible without a mounted, marked test medium."""
        path = await occupied(host.files, settings)
        blocks = await _blocks(host.files, path)
        if not blocks:
            raise NotPossible(f"the device at USB path {path} is no storage medium")
        mount, device = await _mounted(host.files, blocks)
        size = settings.megabytes * MEGABYTE
        seed = random.SystemRandom().getrandbits(64)  # what an earlier run left there must not pass
        trip = await media_of(host).round_trip(mount, device, size, seed)
        origin = f"{mount} ({blocks[device]}, USB path {path})"
        yield Reading(name="medium", value=trip.medium or "no name", origin=origin, exact=True)
        yield Reading(name="identical", value=trip.identical, origin=origin, exact=True)
        if trip.fault:
            yield Reading(name="fault", value=trip.fault, origin=origin, exact=True)
            return
        yield Reading(name="past_cache", value=trip.past_cache, origin=origin, exact=True)
        for name, seconds in (("write_rate", trip.write_seconds), ("read_rate", trip.read_seconds)):
            if seconds > 0:
                rate = size / MEGABYTE / seconds
                yield Reading(name=name, value=round(rate, 3), unit="MBy/s", origin=origin)


async def _blocks(files: Files, path: str) -> dict[tuple[int, int], str]:
    """Disks and partitions behind a USB path: names by device number."""
    found = {}
    for name in await names_in(files, BLOCKS):
        try:
            parts = (await files.real_path(f"{BLOCKS}/{name}")).split("/")
        except OSError:
            continue
        number = _NUMBER.fullmatch(await text_of(files, f"{BLOCKS}/{name}/dev") or "")
        if path in parts and number:
            found[int(number[1]), int(number[2])] = name
    return found


async def _mounted(files: Files, blocks: dict[tuple[int, int], str]) -> tuple[str, tuple[int, int]]:
    """Where the first of them is mounted as a whole, writable."""
    text = (await files.read(MOUNTS, MOUNTS_LIMIT)).decode("utf-8", "surrogateescape")
    read_only = ""
    for line in text.splitlines():
        fields = line.split(" ")
        number = _NUMBER.fullmatch(fields[2]) if len(fields) > 6 else None
        device = (int(number[1]), int(number[2])) if number else (-1, -1)
        if device not in blocks or fields[3] != "/":
            continue
        mount = _ESCAPED.sub(lambda m: chr(int(m[1], 8)), fields[4])
        if "ro" not in fields[5].split(",") and mount.isprintable():
            return mount, device
        read_only = mount
    if read_only:
        raise NotPossible(f"the test medium ({', '.join(blocks.values())}) is mounted read-only")
    raise NotPossible(
        f"the medium ({', '.join(blocks.values())}) is not mounted",
        to_do="Mount the station's test medium so that it can be written to; the probe mounts nothing by itself.",
    )
