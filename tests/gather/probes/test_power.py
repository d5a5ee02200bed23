"""Battery and external supply."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.power import Settings, step_of

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]


def values(found: dict[str, Any]) -> dict[str, object]:
    return {name: reading.value for name, reading in found.items()}


def supply(name: str, kind: str = "Battery", **files: str) -> dict[str, str | bytes]:
    return {f"sys/class/power_supply/{name}/{file}": f"{text}\n" for file, text in {"type": kind, **files}.items()}


def test_the_battery_of_a_recorded_laptop(read: Read, hardware: Path) -> None:
    """Documentation/power/power_supply_class.rst: µV, µW, µW·h; 50060000 of 47520000 are 105.3 %."""
    found = read("power.battery", hardware / "composite")
    assert found.pop("wear_left").value == pytest.approx(105.345, abs=0.001)
    assert values(found) == {
        "battery": "BAT0",
        "present": True,
        "status": "Discharging",
        "capacity": 98,
        "voltage": 12.229,
        "power": 4.83,
        "energy": 49.45,
        "energy_full": 50.06,
        "energy_design": 47.52,
        "cycles": 0,
    }
    assert (found["voltage"].unit, found["energy"].unit, found["capacity"].unit) == ("V", "W.h", "%")


def test_uncertainty_is_that_of_the_gauge_step(read: Read, hardware: Path) -> None:
    """12229000 µV lies on a step of 1 mV; u = step/√12 (JCGM 100, F.2.2.1)."""
    (contribution,) = read("power.battery", hardware / "composite")["voltage"].contributions
    assert math.isclose(contribution.u, 0.001 / math.sqrt(12)) and contribution.basis == "resolution"


@pytest.mark.parametrize(("millionths", "step"), [(12229000, 1000), (12000000, 10000), (-25831, 1), (0, 10000)])
def test_steps(millionths: int, step: int) -> None:
    assert step_of(millionths) == step


def test_a_battery_that_counts_charge(read: Read, grow: Grow) -> None:
    """Documentation/ABI/testing/sysfs-class-power: current in µA, charge in µA·h, temp in 1/10 °C."""
    tree = supply(
        "BAT1", current_now="-1250000", charge_now="2000000", charge_full="2400000", charge_full_design="3000000",
        temp="-53", health="Good", capacity="101",
    )  # fmt: skip
    found = read("power.battery", grow(tree))
    assert values(found) == {
        "battery": "BAT1",
        "health": "Good",
        "current": -1.25,
        "charge": 2.0,
        "charge_full": 2.4,
        "charge_design": 3.0,
        "wear_left": 80.0,
        "temperature": -5.3,
    }
    assert (found["current"].unit, found["charge"].unit, found["temperature"].unit) == ("A", "A.h", "Cel")


def test_power_in_the_file_of_the_current_is_not_taken_for_one(read: Read, grow: Grow) -> None:
    """Values of a real laptop of 2008: 25.83 W, which as a current would empty 61.5 W·h in 12 minutes."""
    old = {"energy_now": "59980000", "voltage_now": "12207000", "current_now": "25830000"}
    assert "current" not in read("power.battery", grow(supply("BAT0", **old)))
    found = read("power.battery", grow(supply("BAT0", **old, power_now="1")))
    assert found["current"].value == 25.83


def test_batteries_of_other_things_do_not_count(read: Read, grow: Grow) -> None:
    """Documentation/ABI/testing/sysfs-class-power: scope Device is a mouse, a headset, ..."""
    folder = grow({**supply("hid-mouse", scope="Device", capacity="40"), **supply("AC", "Mains", online="1")})
    with pytest.raises(Absent, match="has no battery"):
        read("power.battery", folder)
    with pytest.raises(Absent, match="no battery AC"):
        read("power.battery", folder, name="AC")
    both = grow({**supply("BAT0"), **supply("BAT1", capacity="7")})
    with pytest.raises(NotPossible, match="BAT0, BAT1"):
        read("power.battery", both)
    assert read("power.battery", both, name="BAT1")["capacity"].value == 7


def test_the_supply_of_a_recorded_laptop_is_out(read: Read, hardware: Path) -> None:
    assert values(read("power.supply", hardware / "composite")) == {"supplies": 1, "online": False}


def test_a_supply_that_feeds(read: Read, grow: Grow) -> None:
    """online: 0 offline, 1 fixed, 2 programmable."""
    tree = {
        **supply("AC", "Mains", online="0"),
        **supply("usbc", "USB", online="2", voltage_now="20000000", current_now="1500000"),
    }
    found = values(read("power.supply", grow(tree)))
    assert found == {"supplies": 2, "online": True, "kind": "USB", "voltage": 20.0, "current": 1.5}
    assert values(read("power.supply", grow(tree), name="AC")) == {"supplies": 1, "online": False}


def test_no_supply_input(read: Read, grow: Grow, hardware: Path) -> None:
    with pytest.raises(Absent, match="no supply input"):
        read("power.supply", hardware / "server")
    with pytest.raises(Absent, match="supply input AC9"):
        read("power.supply", hardware / "composite", name="AC9")
    with pytest.raises(ValueError, match="no name of a supply"):
        Settings(name="../BAT0")
