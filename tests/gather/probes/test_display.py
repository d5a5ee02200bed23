"""Display connectors, composed from the EDID of real displays, and two of a recording."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.display import Settings

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]
EDID = Path(__file__).parents[2] / "reference/edid"


def values(found: dict[str, Any]) -> dict[str, object]:
    return {name: reading.value for name, reading in found.items()}


def connector(name: str, display: str = "", status: str = "connected") -> dict[str, str | bytes]:
    """Composed: as drivers/gpu/drm/drm_sysfs.c lays it out."""
    at = f"sys/class/drm/{name}"
    return {
        f"{at}/status": f"{status}\n",
        f"{at}/enabled": "enabled\n" if display else "disabled\n",
        f"{at}/modes": "1920x1080\n1920x1080i\n1280x720\n" if display else "",
        f"{at}/edid": (EDID / f"{display}.bin").read_bytes() if display else b"",
    }


def test_the_one_connected_display(read: Read, grow: Grow) -> None:
    """Values: tests/reference/edid/expected.json, display-12."""
    tree = {**connector("card0-HDMI-A-1", "display-12"), **connector("card0-DP-1", status="disconnected")}
    found = read("display.connector", grow(tree))
    assert found.pop("refresh").value == pytest.approx(60.0)
    assert values(found) == {
        "connector": "card0-HDMI-A-1",
        "connected": True,
        "enabled": True,
        "modes": 3,
        "edid_valid": True,
        "extensions": 1,
        "maker": "SAM",
        "product": 4119,
        "name": "LU28R55",
        "serial": 1129793113,
        "width": 3840,
        "height": 2160,
    }


def test_a_bit_lost_in_the_cable_is_seen(read: Read, grow: Grow) -> None:
    tree = connector("card0-HDMI-A-1", "display-12")
    data = bytearray(tree["sys/class/drm/card0-HDMI-A-1/edid"])  # type: ignore[arg-type]
    data[200] ^= 4
    found = values(read("display.connector", grow({**tree, "sys/class/drm/card0-HDMI-A-1/edid": bytes(data)})))
    assert found["edid_valid"] is False and found["edid_fault"] == "the sum over block 1 of the EDID is wrong"


def test_a_recorded_connector_with_a_damaged_edid(read: Read, hardware: Path) -> None:
    found = values(read("display.connector", hardware / "composite", connector="DP-5"))
    assert (found["connected"], found["modes"], found["edid_valid"]) == (True, 27, False)
    assert "name" not in found


def test_a_recorded_connector_with_nothing_in_it(read: Read, hardware: Path) -> None:
    found = values(read("display.connector", hardware / "composite", connector="card1-DP-1"))
    assert found == {"connector": "card1-DP-1", "connected": False, "enabled": False, "modes": 0}


def test_a_display_without_edid_is_connected_and_not_valid(read: Read, grow: Grow) -> None:
    """An open data line of the socket: the picture works and the display is not known."""
    found = values(read("display.connector", grow(connector("card0-VGA-1"))))
    assert found["connected"] is True and found["edid_valid"] is False
    assert found["edid_fault"] == "the display gave no EDID"


def test_a_driver_that_cannot_tell_gives_no_answer(read: Read, grow: Grow) -> None:
    found = values(read("display.connector", grow(connector("card0-VGA-1", status="unknown")), connector="VGA-1"))
    assert "connected" not in found and "edid_valid" not in found


def test_nothing_and_no_such_connector_are_absent(read: Read, grow: Grow, hardware: Path) -> None:
    with pytest.raises(Absent, match="no display connector"):
        read("display.connector", hardware / "server")
    with pytest.raises(Absent, match="HDMI-A-1; there are card1-DP-1, card1-DP-5"):
        read("display.connector", hardware / "composite", connector="HDMI-A-1")
    with pytest.raises(Absent, match="no display is connected to any of card0-DP-1"):
        read("display.connector", grow(connector("card0-DP-1", status="disconnected")))


def test_of_several_none_is_guessed(read: Read, grow: Grow) -> None:
    folder = grow({**connector("card0-DP-1", "display-05"), **connector("card1-DP-1", "display-08")})
    with pytest.raises(NotPossible, match="card0-DP-1, card1-DP-1"):
        read("display.connector", folder)
    with pytest.raises(NotPossible, match="name one"):
        read("display.connector", folder, connector="DP-1")
    assert read("display.connector", folder, connector="card1-DP-1")["name"].value == "HP LP2275w"


@pytest.mark.parametrize("name", ["../DP-1", "DP/1", "DP 1", "1", "-DP-1"])
def test_a_connector_name_cannot_be_a_path(name: str) -> None:
    with pytest.raises(ValueError, match="no connector name"):
        Settings(connector=name)
