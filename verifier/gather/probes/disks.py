"""Which storage devices a host has, and which one a check means. Shared by the storage probes."""

from __future__ import annotations

import re

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.attributes import names_in, number_of
from verifier.services import Files

BLOCK = "/sys/block"
DEVICES_LIMIT = 1024
NAME = re.compile(r"[a-z][a-z0-9_-]{0,40}")
_PARTS = re.compile(r"mmcblk\d+(boot\d+|rpmb|gp\d+)")
"""Areas of an eMMC that stand beside it as if they were devices of their own."""


def check_name(device: str) -> None:
    """ValueError for a text that is no kernel name of a device."""
    if device and not NAME.fullmatch(device):
        raise ValueError(f"{device!r} is no storage device, such as sda or nvme0n1")


async def chosen(files: Files, wanted: str) -> str:
    """The device that is meant: the named one, or the only one that cannot be taken out.

    Absent when it is not there; NotPossible when a choice is left open.
    """
    if wanted:
        if not await files.exists(f"{BLOCK}/{wanted}/size"):
            raise Absent(f"there is no storage device {wanted}")
        return wanted
    names = (await names_in(files, BLOCK))[:DEVICES_LIMIT]
    fixed = [
        n for n in names if await _is_hardware(files, n) and not await number_of(files, f"{BLOCK}/{n}/removable")
    ]
    if not fixed:
        raise Absent("this host has no built-in storage device")
    if len(fixed) > 1:
        raise NotPossible(
            f"this host has several storage devices ({', '.join(fixed[:10])}): name one in the check's settings"
        )
    return fixed[0]


async def _is_hardware(files: Files, name: str) -> bool:
    """Loop devices, RAM disks and arrays have no hardware; a hidden path of a shared one does not count."""
    if not NAME.fullmatch(name) or _PARTS.fullmatch(name) or await number_of(files, f"{BLOCK}/{name}/hidden"):
        return False
    return "device" in await names_in(files, f"{BLOCK}/{name}")
