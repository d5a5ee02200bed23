"""Processor, memory and firmware level."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verifier.errors import Absent

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]


def values(found: dict[str, Any]) -> dict[str, object]:
    return {name: reading.value for name, reading in found.items()}


def test_processors_of_a_recorded_server(read: Read, hardware: Path) -> None:
    """Two sockets of eight cores, without hyper-threading: sys/devices/system/cpu/online reads 0-15."""
    assert values(read("processor.cores", hardware / "server")) == {
        "online": 16,
        "present": 16,
        "cores": 16,
        "model": "Intel(R) Xeon(R) CPU E5-2680 0 @ 2.70GHz",
    }


def test_processors_by_cpuinfo_alone(read: Read, hardware: Path) -> None:
    """Eight threads on four cores; the recording has no online list."""
    found = values(read("processor.cores", hardware / "composite"))
    assert (found["online"], found["cores"]) == (8, 4) and "present" not in found


@pytest.mark.parametrize(("listed", "count"), [("0", 1), ("0-3", 4), ("0,2-3,8", 4), ("0-1,1-2", 3)])
def test_lists_of_processors(read: Read, grow: Grow, listed: str, count: int) -> None:
    """Documentation/admin-guide/cputopology.rst: ranges and single numbers, joined by commas."""
    tree = {"sys/devices/system/cpu/online": f"{listed}\n", "sys/devices/system/cpu/present": "0-8\n"}
    assert values(read("processor.cores", grow(tree))) == {"online": count, "present": 9}


def test_a_processor_that_is_named_once_for_all(read: Read, grow: Grow) -> None:
    """32-bit Arm: the paragraphs name no core, the board stands at the end."""
    text = "processor\t: 0\nBogoMIPS\t: 38.40\n\nprocessor\t: 1\nBogoMIPS\t: 38.40\n\nHardware\t: Invented board\n"
    assert values(read("processor.cores", grow({"proc/cpuinfo": text}))) == {
        "online": 2,
        "model": "Invented board",
    }


def test_memory_of_two_recordings(read: Read, hardware: Path) -> None:
    """MemTotal is in units of 1024 bytes whatever it calls them: 32836008 kB are 32066.4 MiB (arithmetic)."""
    found = read("memory.size", hardware / "server")
    assert (found["total"].value, found["total"].unit) == (32836008 / 1024, "MiBy")
    assert read("memory.size", hardware / "composite")["total"].value == 15666184 / 1024


def test_a_host_that_says_nothing_of_either(read: Read, grow: Grow) -> None:
    with pytest.raises(Absent, match="what processors"):
        read("processor.cores", grow({"sys/devices/system/cpu/online": "all\n"}))
    with pytest.raises(Absent, match="how much memory"):
        read("memory.size", grow({"proc/meminfo": "MemTotal: lots\n"}))


def test_firmware_of_a_recorded_server(read: Read, hardware: Path) -> None:
    assert values(read("firmware.level", hardware / "server")) == {
        "version": "1.0.30",
        "date": "08/06/2012",
        "uefi": False,
    }


def test_controller_and_update_level(read: Read, grow: Grow) -> None:
    """drivers/firmware/dmi-id.c; Documentation/ABI/testing/sysfs-firmware-efi-esrt: fw_type 1 is the system's."""
    entries = "sys/firmware/efi/esrt/entries"
    tree = {
        "sys/class/dmi/id/bios_version": "3.4.1\n",
        "sys/class/dmi/id/bios_release": "3.4\n",
        "sys/class/dmi/id/ec_firmware_release": "1.14\n",
        f"{entries}/entry0/fw_type": "2\n",
        f"{entries}/entry0/fw_version": "7\n",
        f"{entries}/entry1/fw_type": "1\n",
        f"{entries}/entry1/fw_version": "65566\n",
    }
    assert values(read("firmware.level", grow(tree))) == {
        "version": "3.4.1",
        "release": "3.4",
        "controller_release": "1.14",
        "uefi": True,
        "uefi_level": 65566,
    }


def test_levels_that_nobody_filled_in_are_missing(read: Read, grow: Grow) -> None:
    tree = {
        "sys/class/dmi/id/bios_version": "Default string\n",
        "sys/class/dmi/id/ec_firmware_release": "255.255\n",
    }
    with pytest.raises(Absent, match="nothing of its firmware"):
        read("firmware.level", grow(tree))


def test_update_levels_are_for_root_and_the_rest_is_not(read: Read, grow: Grow) -> None:
    tree = {
        "sys/class/dmi/id/bios_version": "3.4.1\n",
        "sys/firmware/efi/esrt/entries/entry0/fw_type": "1\n",
        "errors.json": '{"/sys/firmware/efi/esrt/entries/entry0/fw_type": "EACCES"}',
    }
    assert values(read("firmware.level", grow(tree))) == {"version": "3.4.1", "uefi": True}
