"""USB devices by path."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verifier.errors import Absent
from verifier.gather.probes.usb import DeviceSettings

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]


def device(path: str, speed: str, **files: str) -> dict[str, str | bytes]:
    given = {"speed": speed, "idVendor": "1d6b", "idProduct": "0104", "bDeviceClass": "00", **files}
    return {f"sys/bus/usb/devices/{path}/{file}": text + "\n" for file, text in given.items()}


def test_a_device_behind_two_hubs_of_a_recorded_server(read: Read, hardware: Path) -> None:
    """Documentation/ABI/testing/sysfs-bus-usb: speed in Mbit/s, ids in hexadecimal."""
    found = read("usb.device", hardware / "server", path="1-1.6.1")
    at = "/sys/bus/usb/devices/1-1.6.1"
    assert {name: r.value for name, r in found.items() if name != "maker"} == {
        "path": "1-1.6.1",
        "speed": 480.0,
        "vendor_id": "0624",
        "product_id": "0249",
        "product": "Keyboard/Mouse Function",
    }
    assert (found["speed"].unit, found["speed"].exact, found["speed"].origin) == ("Mbit/s", True, f"{at}/speed")
    assert found["maker"].value == (hardware / f"server{at}/manufacturer").read_text().strip()


@pytest.mark.parametrize(
    ("written", "speed"), [("1.5", 1.5), ("12", 12.0), ("480", 480.0), ("5000", 5000.0), ("10000", 10000.0)]
)
def test_speeds_as_the_kernel_prints_them(read: Read, grow: Grow, written: str, speed: float) -> None:
    """drivers/usb/core/sysfs.c, speed_show: full speed reads 12 (the ABI text says 15)."""
    assert read("usb.device", grow(device("2-1", written)), path="2-1")["speed"].value == speed


def test_an_unknown_speed_is_missing(read: Read, grow: Grow) -> None:
    assert "speed" not in read("usb.device", grow(device("2-1", "unknown")), path="2-1")


def test_a_device_that_fell_back_is_found_at_the_other_path_of_its_socket(read: Read, grow: Grow) -> None:
    found = read("usb.device", grow(device("1-2", "480")), path="2-2", or_path="1-2")
    assert (found["path"].value, found["speed"].value) == ("1-2", 480.0)


def test_an_empty_port_and_no_usb_at_all_are_absent(read: Read, grow: Grow, hardware: Path) -> None:
    with pytest.raises(Absent, match="nothing is plugged in at USB path 2-2 or 1-2"):
        read("usb.device", hardware / "server", path="2-2", or_path="1-2")
    with pytest.raises(Absent, match="no USB"):
        read("usb.device", hardware / "composite", path="2-2")
    with pytest.raises(Absent, match="no USB controller"):
        read("usb.devices", hardware / "composite")


@pytest.mark.parametrize("path", ["", "2", "usb1", "../2-1", "2-1/..", "2-1:1.0", "2-1.", "2-1\n", "-1"])
def test_a_path_cannot_lead_elsewhere(path: str) -> None:
    with pytest.raises(ValueError, match="no USB path"):
        DeviceSettings(path=path)


def test_devices_hubs_and_controllers_are_counted(read: Read, hardware: Path) -> None:
    """The recorded server: two controllers, hubs 1-1, 1-1.6 and 2-1, one device; interfaces are no devices."""
    found = read("usb.devices", hardware / "server")
    assert {name: r.value for name, r in found.items()} == {"controllers": 2, "hubs": 3, "devices": 1}
