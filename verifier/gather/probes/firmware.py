"""Firmware levels: of the machine itself, and of the small controller that minds its power and keys."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent
from verifier.gather.probes.attributes import names_in, number_of, text_of
from verifier.gather.probes.identity import DEVICE_TREE, DMI, is_placeholder
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

EFI = "/sys/firmware/efi"
SYSTEM_FIRMWARE = 1
"""fw_type of the machine's own firmware (UEFI Specification 2.10, 23.4, ESRT; from memory)."""
_TEXTS = (
    ("version", (f"{DMI}/bios_version", f"{DEVICE_TREE}/chosen/u-boot,version")),
    ("date", (f"{DMI}/bios_date",)),
    ("release", (f"{DMI}/bios_release",)),
    ("controller_release", (f"{DMI}/ec_firmware_release",)),
)


@dataclass(frozen=True, slots=True)
class Settings:
    """Takes no settings."""


class Level:
    declaration = ProbeDeclaration(
        name="firmware.level",
        title="Firmware level",
        what=(
            "Reads the level of the unit's firmware and, where the unit states it, of its embedded controller. A "
            "replaced board comes with the level it was made with."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="version", kind="text", what="As the maker writes it.", optional=True),
            ReadingDeclaration(name="date", kind="text", what="As the maker writes it.", optional=True),
            ReadingDeclaration(name="release", kind="text", what="Two numbers, such as 1.14.", optional=True),
            ReadingDeclaration(
                name="controller_release", kind="text", what="The same of the embedded controller.", optional=True
            ),
            ReadingDeclaration(name="uefi", kind="yes-no", what="Whether the machine was started by UEFI."),
            ReadingDeclaration(
                name="uefi_level",
                kind="number",
                unit="1",
                what="Level of the machine's firmware by which updates are ordered.",
                optional=True,
            ),
        ),
        privileges=("root, for uefi_level; without it this one is missing",),
        sources=(
            "Linux drivers/firmware/dmi-id.c (bios_version, bios_date, bios_release, ec_firmware_release)",
            "Linux Documentation/ABI/testing/sysfs-firmware-efi-esrt (fw_type, fw_version)",
            "Devicetree chosen node: u-boot,version (dt-schema chosen.yaml; from memory)",
        ),
        example="""\
[[checks]]
id = "firmware"
title = "Firmware is at the released level"
probe = "firmware.level"
limits = [{ reading = "version", equals = "3.4.1", source = "service document 12, revision 3" }]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when the host says nothing of its firmware."""
        found = [r for r in [await _text(host.files, name, paths) for name, paths in _TEXTS] if r is not None]
        level = await _system_level(host.files)
        uefi = await host.files.exists(EFI)
        if not (found or uefi):
            raise Absent("this host says nothing of its firmware")
        for reading in found:
            yield reading
        yield Reading(name="uefi", value=uefi, origin=EFI, exact=True)
        if level is not None:
            yield level


async def _text(files: Files, name: str, paths: tuple[str, ...]) -> Reading | None:
    for path in paths:
        text = await text_of(files, path)
        # 255.255 says that there is no such release (SMBIOS 3.7, 7.1; from memory).
        if text is not None and not is_placeholder(text) and text != "255.255":
            return Reading(name=name, value=text, origin=path, exact=True)
    return None


async def _system_level(files: Files) -> Reading | None:
    entries = f"{EFI}/esrt/entries"
    try:
        for name in (await names_in(files, entries))[:64]:
            if re.fullmatch(r"entry\d{1,3}", name):
                at = f"{entries}/{name}"
                if await number_of(files, f"{at}/fw_type") == SYSTEM_FIRMWARE:
                    level = await number_of(files, f"{at}/fw_version")
                    if level is not None and level >= 0:
                        return Reading(
                            name="uefi_level", value=level, unit="1", origin=f"{at}/fw_version", exact=True
                        )
    except PermissionError:
        pass
    return None
