"""Storage devices as the kernel sees them. Nothing is mounted, written or even opened."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.gather.probes.attributes import FILE_LIMIT, NO_VALUE, clean, number_of, text_of
from verifier.gather.probes.disks import BLOCK, check_name, chosen
from verifier.gather.probes.identity import is_placeholder
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

SECTOR = 512
"""Bytes of a unit of `size`, whatever the device's own sectors are (Documentation/ABI/stable/sysfs-block)."""
_TEXTS = (
    ("model", ("device/model", "device/name")),
    ("serial", ("serial", "device/serial")),
    ("firmware", ("device/firmware_rev", "device/rev", "device/fwrev")),
)
_FLAGS = (("rotational", "queue/rotational"), ("removable", "removable"), ("read_only", "ro"))


@dataclass(frozen=True, slots=True)
class Settings:
    device: str = ""
    """Kernel name, such as sda, nvme0n1 or mmcblk0; may be left out where one storage device is built in."""

    def __post_init__(self) -> None:
        check_name(self.device)


class Device:
    declaration = ProbeDeclaration(
        name="storage.device",
        title="Storage device",
        what=(
            "Reads size, model and serial number of a storage device from the kernel. The device itself is not "
            "opened: nothing is mounted, nothing written, no content read."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="device", kind="text", what="Which device was read."),
            ReadingDeclaration(name="size", kind="number", unit="GBy", what="Capacity; 0 for an empty reader."),
            ReadingDeclaration(name="model", kind="text", what="What the device says.", optional=True),
            ReadingDeclaration(name="serial", kind="text", what="What the device says.", optional=True),
            ReadingDeclaration(name="firmware", kind="text", what="Revision of its firmware.", optional=True),
            ReadingDeclaration(
                name="rotational",
                kind="yes-no",
                what="Whether discs turn in it, as the driver has it.",
                optional=True,
            ),
            ReadingDeclaration(
                name="removable", kind="yes-no", what="Whether its medium can be taken out.", optional=True
            ),
            ReadingDeclaration(
                name="read_only", kind="yes-no", what="Whether the kernel refuses to write to it.", optional=True
            ),
        ),
        sources=(
            "Linux Documentation/ABI/stable/sysfs-block (size in 512 bytes, removable, ro, queue/rotational)",
            "Linux drivers/scsi/scsi_sysfs.c (model, rev, vpd_pg80), drivers/nvme/host/sysfs.c (model, serial, "
            "firmware_rev), drivers/block/virtio_blk.c (serial), drivers/mmc/core/mmc.c (name, serial, fwrev)",
        ),
        example="""\
[[checks]]
id = "storage"
title = "Storage module"
probe = "storage.device"
settings = { device = "nvme0n1" }
covers = ["storage-socket"]
limits = [{ reading = "size", at_least = 250, unit = "GBy", source = "parts list" }]
""",
        timeout=15.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such a device; NotPossible when a choice is left open."""
        name = await chosen(host.files, settings.device)
        at = f"{BLOCK}/{name}"
        yield Reading(name="device", value=name, origin=at, exact=True)
        sectors = await number_of(host.files, f"{at}/size") or 0
        yield Reading(
            name="size", value=max(0, sectors) * SECTOR / 10**9, unit="GBy", origin=f"{at}/size", exact=True
        )
        for reading, files in _TEXTS:
            text, path = await _first(host.files, at, files)
            if text is None and reading == "serial":
                path = f"{at}/device/vpd_pg80"
                text = await _serial_page(host.files, path)
            if text is not None:
                yield Reading(name=reading, value=text, origin=path, exact=True)
        for reading, file in _FLAGS:
            flag = await number_of(host.files, f"{at}/{file}")
            if flag in (0, 1):
                yield Reading(name=reading, value=flag == 1, origin=f"{at}/{file}", exact=True)


async def _first(files: Files, at: str, names: tuple[str, ...]) -> tuple[str | None, str]:
    for name in names:
        try:
            text = await text_of(files, f"{at}/{name}")
        except PermissionError:
            continue
        if text is not None and not is_placeholder(text):
            return text, f"{at}/{name}"
    return None, at


async def _serial_page(files: Files, path: str) -> str | None:
    """The unit serial number page of a SCSI device: page 80h, length, then ASCII (SPC-4, 7.8.15; from memory)."""
    try:
        page = await files.read(path, FILE_LIMIT)
    except PermissionError:
        return None
    except OSError as error:
        if error.errno in NO_VALUE:
            return None
        raise
    if len(page) < 4 or page[1] != 0x80:
        return None
    text = clean(page[4 : 4 + int.from_bytes(page[2:4], "big")])
    return text if text and not is_placeholder(text) else None
