"""Temperature sensors."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verifier.errors import Absent
from verifier.gather.probes.thermal import step_of

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]

OLD = "sys/devices/platform/panel"
OLD_STYLE: dict[str, str | bytes] = {
    "sys/class/hwmon/hwmon0": f"-> ../../../{OLD}/hwmon/hwmon0",
    f"{OLD}/hwmon/hwmon0/device": "-> ../../../panel",
    f"{OLD}/name": "panel\n",
    f"{OLD}/temp1_input": "46000\n",
    f"{OLD}/temp2_input": "",
    f"{OLD}/temp10_input": "63000\n",
}
"""Composed after a laptop of 2008: before Linux 3.x the inputs stand in the parent device's folder."""


def values(found: dict[str, Any]) -> dict[str, object]:
    return {name: reading.value for name, reading in found.items()}


def test_zones_and_monitor_of_a_recorded_tree(read: Read, hardware: Path) -> None:
    """Documentation/ABI/testing/sysfs-class-thermal and sysfs-class-hwmon: both in millidegree Celsius."""
    found = read("thermal.sensors", hardware / "composite")
    assert values(found) == {"sensors": 6, "faulty": 0, "hottest": "bcm2835_thermal", "temperature": 49.925}
    assert found["temperature"].unit == "Cel" and not found["temperature"].exact


@pytest.mark.parametrize(
    ("sensor", "hottest", "temperature", "count"),
    [
        ("nvme/Composite", "nvme/Composite", 43.85, 1),
        ("nvme", "nvme/Sensor 2", 45.85, 4),
        ("sensor ?", "nvme/Sensor 2", 45.85, 3),
        ("hwmon3/temp9", "nvme/Sensor 8", 43.85, 1),
        ("thermal_zone1", "acpitz", -44.0, 1),
        ("acpi*", "acpitz", -44.0, 1),
    ],
)
def test_the_sensor_asked_for(
    read: Read, hardware: Path, sensor: str, hottest: str, temperature: float, count: int
) -> None:
    """-44 °C in a real recording is what the sensor says: a value, not an error."""
    found = values(read("thermal.sensors", hardware / "composite", sensor=sensor))
    assert found == {"sensors": count, "faulty": 0, "hottest": hottest, "temperature": temperature}


def test_old_style_monitor(read: Read, grow: Grow) -> None:
    found = read("thermal.sensors", grow(OLD_STYLE))
    assert values(found) == {"sensors": 2, "faulty": 0, "hottest": "panel/temp10", "temperature": 63.0}
    assert found["temperature"].origin == "/sys/class/hwmon/hwmon0/device/temp10_input"


def test_a_monitor_that_mirrors_a_zone_counts_once(read: Read, grow: Grow) -> None:
    zone = "sys/devices/virtual/thermal/thermal_zone0"
    folder = grow(
        {
            "sys/class/thermal/thermal_zone0": f"-> ../../../{zone}",
            f"{zone}/type": "acpitz\n",
            f"{zone}/temp": "30000\n",
            "sys/class/hwmon/hwmon0": f"-> ../../../{zone}/hwmon0",
            f"{zone}/hwmon0/device": "-> ../../thermal_zone0",
            f"{zone}/hwmon0/name": "acpitz\n",
            f"{zone}/hwmon0/temp1_input": "30000\n",
        }
    )
    assert read("thermal.sensors", folder)["sensors"].value == 1


def test_a_fault_voids_a_sensor(read: Read, grow: Grow) -> None:
    """Documentation/ABI/testing/sysfs-class-hwmon, tempY_fault: 1 is failed."""
    found = read("thermal.sensors", grow({**OLD_STYLE, f"{OLD}/temp10_fault": "1\n", f"{OLD}/temp1_fault": "0\n"}))
    assert values(found) == {"sensors": 1, "faulty": 1, "hottest": "panel/temp1", "temperature": 46.0}


def test_a_sensor_that_does_not_answer_is_faulty_and_an_empty_place_is_not(read: Read, grow: Grow) -> None:
    errors = f'{{"/{OLD}/temp1_input": "EIO", "/{OLD}/temp10_input": "ENXIO"}}'
    found = read("thermal.sensors", grow({**OLD_STYLE, "errors.json": errors}))
    assert values(found) == {"sensors": 0, "faulty": 1}


def test_no_sensor_and_no_such_sensor_are_absent(read: Read, grow: Grow, hardware: Path) -> None:
    with pytest.raises(Absent, match="no temperature sensor"):
        read("thermal.sensors", hardware / "server")
    with pytest.raises(Absent, match="'shell'; there are acpitz"):
        read("thermal.sensors", hardware / "composite", sensor="shell")


@pytest.mark.parametrize(
    ("millidegrees", "step"),
    [
        (46000, 1.0),
        (-44000, 1.0),
        (43850, 1.0),
        (45500, 0.5),
        (45125, 0.125),
        (27850, 1.0),
        (27950, 0.1),
        (49925, 0.025),
        (0, 1.0),
        (46001, 0.001),
    ],
)
def test_step_from_one_value(millidegrees: int, step: float) -> None:
    """43850 m°C is 317.000 K and 27950 is 301.1 K: sensors that count kelvins or tenths of them. By arithmetic."""
    assert step_of(millidegrees) == step


def test_uncertainty_is_that_of_the_step(read: Read, grow: Grow) -> None:
    """u = step/√12 (JCGM 100, F.2.2.1), rectangular."""
    (contribution,) = read("thermal.sensors", grow(OLD_STYLE))["temperature"].contributions
    assert (contribution.basis, contribution.shape) == ("resolution", "rectangular")
    assert math.isclose(contribution.u, 1 / math.sqrt(12))
