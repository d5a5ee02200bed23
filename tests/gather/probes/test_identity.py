"""Identity, from DMI and from a device tree."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verifier.errors import Absent
from verifier.gather.probes.identity import is_placeholder

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]

PLACEHOLDERS = """To be filled by O.E.M.|To Be Filled By O.E.M|Not Specified|Default string|0123456789|None
System Serial Number| |-|...|00000000|0000-0000|XXXXXXXX|FFFFFFFF|N/A""".replace("\n", "|").split("|")


def test_dmi_fields_of_a_recorded_server_without_a_serial_number(read: Read, hardware: Path) -> None:
    """Linux drivers/firmware/dmi-id.c names the files; recorded tree `server` has an empty product_serial."""
    found = read("identity", hardware / "server")
    assert found["firmware"].value == "1.0.30"
    assert found["firmware"].origin == "/sys/class/dmi/id/bios_version"
    assert found["maker"].value == (hardware / "server/sys/class/dmi/id/sys_vendor").read_text().strip()
    assert "serial" not in found and "product_version" not in found


def test_dmi_fields_of_a_recorded_machine_with_a_serial_number(read: Read, hardware: Path) -> None:
    found = read("identity", hardware / "composite")
    assert (found["serial"].value, found["firmware"].value) == ("7N62AI2", "2.2.4")
    assert all(reading.exact and reading.unit == "" for reading in found.values())


def test_a_device_tree_where_there_is_no_dmi(read: Read, grow: Grow) -> None:
    """Documentation/ABI/testing/sysfs-firmware-ofw: /proc/device-tree is the stable path. Composed tree."""
    base = "sys/firmware/devicetree/base"
    folder = grow(
        {
            "proc/device-tree": "-> /sys/firmware/devicetree/base",
            f"{base}/model": b"Quayside counter terminal\0",
            f"{base}/serial-number": b"QS-2004174\0",
            f"{base}/compatible": b"marrowby,quayside\0marrowby,counter\0",
        }
    )
    found = read("identity", folder)
    assert {name: reading.value for name, reading in found.items()} == {
        "product": "Quayside counter terminal",
        "serial": "QS-2004174",
        "maker": "marrowby",
    }


@pytest.mark.parametrize("text", PLACEHOLDERS)
def test_a_field_that_nobody_filled_reads_as_missing(read: Read, grow: Grow, text: str) -> None:
    """Placeholder texts: common practice, no source."""
    folder = grow({"sys/class/dmi/id/product_serial": text + "\n", "sys/class/dmi/id/product_name": "Quayside\n"})
    assert "serial" not in read("identity", folder)


@pytest.mark.parametrize("text", ["QS-2004174", "X1", "00F0", "Nonesuch", "船", "é-0"])
def test_a_field_that_somebody_filled_is_kept(text: str) -> None:
    assert not is_placeholder(text)


def test_what_firmware_says_is_cut_and_kept_free_of_control_characters(read: Read, grow: Grow) -> None:
    hostile = b"</script>\x1b[2J\x00\x9b\xff\xfe\r\nA\xe2\x80\xae" + b"B" * 5000
    value = read("identity", grow({"sys/class/dmi/id/product_name": hostile}))["product"].value
    assert value.startswith("</script> [2J") and len(value) == 200
    assert "\x1b" not in value and "\n" not in value and "\x9b" not in value
    assert "\u202e" in value  # kept as evidence; showing it harmlessly is the report's part


def test_serial_numbers_that_only_root_may_read_are_missing(read: Read, grow: Grow) -> None:
    folder = grow(
        {
            "sys/class/dmi/id/product_serial": "QS-2004174\n",
            "sys/class/dmi/id/product_name": "Quayside\n",
            "errors.json": '{"/sys/class/dmi/id/product_serial": "EACCES"}',
        }
    )
    found = read("identity", folder)
    assert "serial" not in found and found["product"].value == "Quayside"


def test_a_machine_that_says_nothing_is_absent(read: Read, grow: Grow) -> None:
    with pytest.raises(Absent, match="neither DMI fields nor a device tree"):
        read("identity", grow({"sys/class/dmi/id/product_name": "Default string\n"}))
