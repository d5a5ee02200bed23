"""Wireless signal and Bluetooth adapter."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.wifi import Settings

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]

HEAD = """\
Inter-| sta-|   Quality        |   Discarded packets               | Missed | WE
 face | tus | link level noise |  nwid  crypt   frag  retry   misc | beacon | 22
"""


def values(found: dict[str, Any]) -> dict[str, object]:
    return {name: reading.value for name, reading in found.items()}


def printed(level: int, *, link: int = 54, noise: int = -256, name: str = "wlan0", new: str = ".") -> str:
    """net/wireless/wext-proc.c: "%6s: %04x  %3d%c  %3d%c  %3d%c  %6d %6d %6d %6d %6d   %6d"."""
    quality = f"{name:>6}: 0000  {link:3d}.  {level:3d}{new}  {noise:3d}  "
    return HEAD + quality + "      0      0      0      2     77        0\n"


def test_a_level_in_dbm(read: Read, grow: Grow) -> None:
    """256 has been taken off already; noise -256 is a byte of 0: no value."""
    found = read("wifi.signal", grow({"proc/net/wireless": printed(-56)}))
    assert (found["level"].unit, found["level"].contributions[0].basis) == ("dBm", "resolution")
    assert values(found) == {
        "interfaces": 1,
        "interface": "wlan0",
        "source": "/proc/net/wireless",
        "level": -56,
        "quality": 54,
        "fresh": True,
    }


@pytest.mark.parametrize("level", [0, 3, 56, 191, 255])
def test_a_level_on_the_drivers_own_scale_is_not_taken_for_dbm(read: Read, grow: Grow, level: int) -> None:
    """Without IW_QUAL_DBM nothing is taken off: 191 may be -65 dBm or 191 of 255, and nothing tells which."""
    found = values(read("wifi.signal", grow({"proc/net/wireless": printed(level)})))
    assert "level" not in found and found["level_plain"] == level


@pytest.mark.parametrize("level", [-256, -255, -193])
def test_a_level_below_the_scale_is_none(read: Read, grow: Grow, level: int) -> None:
    """iw_quality.level in include/uapi/linux/wireless.h: from -192 dBm."""
    found = values(read("wifi.signal", grow({"proc/net/wireless": printed(level, noise=-95, new=" ")})))
    assert "level" not in found and found["noise"] == -95 and found["fresh"] is False


def test_levels_of_a_recording(read: Read, hardware: Path) -> None:
    found = values(read("wifi.signal", hardware / "composite", interface="wlan1"))
    told = {"interfaces": 2, "interface": "wlan1", "source": "/proc/net/wireless"}
    assert found == {**told, "level_plain": 8, "quality": 9, "fresh": True}
    with pytest.raises(NotPossible, match="wlan0, wlan1"):
        read("wifi.signal", hardware / "composite")


def test_a_radio_without_statistics_and_a_monitor_beside_it(read: Read, grow: Grow) -> None:
    tree: dict[str, str | bytes] = {
        "sys/class/net/wlan0/phy80211/name": "phy0\n",
        "sys/class/net/wlan0/type": "1\n",
        "sys/class/net/mon0/phy80211/name": "phy0\n",
        "sys/class/net/mon0/type": "803\n",
    }
    with pytest.raises(NotPossible, match="no signal level of wlan0"):
        read("wifi.signal", grow(tree))


def test_no_radio(read: Read, hardware: Path) -> None:
    with pytest.raises(Absent, match="no wireless interface"):
        read("wifi.signal", hardware / "server")
    with pytest.raises(Absent, match="wlan7; there are wlan0, wlan1"):
        read("wifi.signal", hardware / "composite", interface="wlan7")
    with pytest.raises(ValueError, match="no interface name"):
        Settings(interface="../wlan0")


@pytest.mark.parametrize(("state", "blocked"), [("0", True), ("1", False), ("2", True), ("9", None)])
def test_a_bluetooth_adapter_with_its_switch(read: Read, grow: Grow, state: str, blocked: bool | None) -> None:
    """Documentation/ABI/stable/sysfs-class-rfkill; composed. hci0:11 is a connection, no adapter."""
    at = "sys/class/bluetooth"
    tree: dict[str, str | bytes] = {f"{at}/hci0/rfkill3/state": f"{state}\n", f"{at}/hci0:11/type": "ACL\n"}
    found = values(read("bluetooth.adapter", grow(tree)))
    assert found.pop("blocked", None) is blocked
    assert found == {"adapters": 1, "first": "hci0"}


def test_no_bluetooth(read: Read, hardware: Path) -> None:
    with pytest.raises(Absent, match="no Bluetooth adapter"):
        read("bluetooth.adapter", hardware / "composite")
