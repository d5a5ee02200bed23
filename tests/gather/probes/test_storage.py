"""Storage devices and their health."""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.probes.storage import Settings
from verifier.gather.probes.storage_health import Settings as HealthSettings

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]
PRINTED = Path(__file__).parents[2] / "reference/smartctl"
BITS = ("command_failed", "failing", "below_threshold", "was_below_threshold", "errors_logged", "self_test_failed")


def values(found: dict[str, Any]) -> dict[str, object]:
    return {name: reading.value for name, reading in found.items()}


def disk(name: str, **files: str) -> dict[str, str | bytes]:
    given = {"size": "1000215216", "removable": "0", "ro": "0", "device/model": "Invented Store 512", **files}
    return {f"sys/block/{name}/{file}": text + "\n" for file, text in given.items()}


def asked(printed: str, exit_code: int = 0, name: str = "sda", kind: str = "") -> dict[str, str | bytes]:
    """A recording of smartctl's answer beside a composed disk."""
    argv = ["smartctl", "-j", "-a", *(["-d", kind] if kind else []), f"/dev/{name}"]
    result = {"argv": argv, "exit": exit_code, "stdout": printed}
    return {**disk(name), "commands/smartctl.json": json.dumps(result)}


def printed(file: str, **changes: object) -> str:
    told = json.loads((PRINTED / f"{file}.json").read_text())
    return json.dumps({**told, **changes})


def test_the_disk_of_a_recorded_server(read: Read, hardware: Path) -> None:
    """488397168 units of 512 bytes (Documentation/ABI/stable/sysfs-block) are 250.059 GB; its rev reads n/a."""
    found = read("storage.device", hardware / "server")
    assert values(found) == {
        "device": "sda",
        "size": 250.059350016,
        "model": "ST9250610NS",
        "rotational": True,
        "removable": False,
        "read_only": False,
    }
    assert found["size"].unit == "GBy"


def test_what_has_no_hardware_behind_it_is_no_storage_device(read: Read, grow: Grow) -> None:
    tree: dict[str, str | bytes] = {
        "sys/block/loop0/size": "0\n",
        "sys/block/zram0/size": "0\n",
        "sys/block/dm-0/size": "100\n",
        **disk("sr0", removable="1"),
        **disk("mmcblk0boot0"),
        **disk("nvme0c0n1", hidden="1"),
        **disk("mmcblk0", **{"device/name": "INV512", "device/serial": "0x12ab34cd"}),
    }
    del tree["sys/block/mmcblk0/device/model"]
    found = values(read("storage.device", grow(tree)))
    assert (found["device"], found["model"], found["serial"]) == ("mmcblk0", "INV512", "0x12ab34cd")


def test_serial_number_from_the_page_of_a_scsi_disk(read: Read, grow: Grow) -> None:
    """Page 80h: device type, page code, length in two bytes, ASCII (SPC-4, 7.8.15; from memory)."""
    tree = {**disk("sda"), "sys/block/sda/device/vpd_pg80": b"\x00\x80\x00\x0a  Z1F0A2B3"}
    assert read("storage.device", grow(tree))["serial"].value == "Z1F0A2B3"


def test_a_serial_number_for_root_alone_is_missing(read: Read, grow: Grow) -> None:
    errors = '{"/sys/block/sda/device/serial": "EACCES", "/sys/block/sda/device/vpd_pg80": "EACCES"}'
    found = read("storage.device", grow({**disk("sda", **{"device/serial": "1"}), "errors.json": errors}))
    assert "serial" not in found and found["model"].value == "Invented Store 512"


def test_storage_that_is_absent_or_not_the_only_one(read: Read, grow: Grow) -> None:
    folder = grow({**disk("sdb", removable="1")})
    with pytest.raises(Absent, match="no built-in storage"):
        read("storage.device", folder)
    with pytest.raises(Absent, match="nvme0n1"):
        read("storage.device", folder, device="nvme0n1")
    assert read("storage.device", folder, device="sdb")["removable"].value is True
    with pytest.raises(NotPossible, match="sda, sdc"):
        read("storage.device", grow({**disk("sda"), **disk("sdc")}))


@pytest.mark.parametrize("name", ["../sda", "/dev/sda", "sda ", "-a", "SDA", "sda;x"])
def test_a_device_name_cannot_be_a_path_or_an_option(name: str) -> None:
    for settings in (Settings, HealthSettings):
        with pytest.raises(ValueError, match="no storage device"):
            settings(device=name)
    with pytest.raises(ValueError, match="no device type"):
        HealthSettings(kind=f"-{name}")


def test_health_of_a_real_nvme_module(read: Read, grow: Grow) -> None:
    """tests/reference/smartctl/nvme.json."""
    found = read("storage.health", grow(asked(printed("nvme"), name="nvme0n1")))
    temperature = found["temperature"]
    assert (temperature.value, temperature.unit) == (29, "Cel")
    assert math.isclose(temperature.contributions[0].u, 1 / math.sqrt(12))
    assert values(found) == {
        "device": "nvme0n1",
        "passed": True,
        **dict.fromkeys(BITS, False),
        "temperature": 29,
        "hours": 12164,
        "power_cycles": 22,
        "used": 0,
        "spare": 100,
        "media_errors": 0,
    }


def test_the_packed_temperature_of_a_real_disk_is_not_believed(read: Read, grow: Grow) -> None:
    """tests/reference/smartctl/ata.json: attribute 194 has the raw value 193274707996 at 28 °C."""
    found = read("storage.health", grow(asked(printed("ata"))))
    assert (found["temperature"].value, found["hours"].value) == (28, 78405)


def test_a_real_disk_that_calls_itself_well_with_many_defects(read: Read, grow: Grow) -> None:
    """tests/reference/smartctl/scsi.json: passed, exit code 0, 260 grown defects."""
    found = values(read("storage.health", grow(asked(printed("scsi")))))
    assert (found["passed"], found["grown_defects"], found["failing"]) == (True, 260, False)


@pytest.mark.parametrize(("bit", "name"), list(enumerate(BITS, 2)))
def test_bits_of_the_exit_code(read: Read, grow: Grow, bit: int, name: str) -> None:
    """smartctl(8), EXIT STATUS: bits 2 to 7. Composed: only the code is changed."""
    text = printed("ata", smartctl={"exit_status": 1 << bit})
    found = values(read("storage.health", grow(asked(text, 1 << bit))))
    assert [n for n in BITS if found[n]] == [name]
    assert found["passed"] is True  # a failed command (bit 2) was met on a real disk that passed


def test_a_device_that_fails_its_own_judgement(read: Read, grow: Grow) -> None:
    text = printed("ata", smart_status={"passed": False}, smartctl={"exit_status": 24})
    found = values(read("storage.health", grow(asked(text, 24))))
    assert (found["passed"], found["failing"], found["below_threshold"]) == (False, True, True)


def test_a_device_without_smart_is_absent(read: Read, grow: Grow) -> None:
    """tests/reference/smartctl/no_smart.json: a virtual disk."""
    with pytest.raises(Absent, match="sda does not report its health"):
        read("storage.health", grow(asked(printed("no_smart"), 1)))
    with pytest.raises(Absent, match="does not report"):
        read("storage.health", grow(asked(printed("ata", smart_support={"available": False}), 4)))


def test_what_smartctl_cannot_do_is_never_blamed_on_the_disk(read: Read, grow: Grow) -> None:
    with pytest.raises(NotPossible, match="package smartmontools"):
        read("storage.health", grow(disk("sda")))
    messages = [{"string": "Smartctl open device: /dev/sda failed: Permission denied", "severity": "error"}]
    with pytest.raises(NotPossible, match="Permission denied"):
        read("storage.health", grow(asked(json.dumps({"smartctl": {"exit_status": 2, "messages": messages}}), 2)))
    with pytest.raises(BenchFault, match="did not understand"):
        read("storage.health", grow(asked(json.dumps({"smartctl": {"exit_status": 1}}), 1)))
    for text in ("", "smartctl 6.6", "[]", "[" * 100_000):
        with pytest.raises(BenchFault, match="no JSON"):
            read("storage.health", grow(asked(text, 1)))


@pytest.mark.parametrize("nonsense", [True, "hot", None, [], 1e300, -1e300])
def test_nonsense_in_the_answer_is_missing(read: Read, grow: Grow, nonsense: object) -> None:
    text = printed("nvme", temperature={"current": nonsense}, power_on_time=nonsense, smart_status=nonsense)
    found = read("storage.health", grow(asked(text)))
    assert not {"temperature", "hours", "passed"} & set(found)


def test_a_disk_behind_a_bridge_is_asked_as_the_suite_says(read: Read, grow: Grow) -> None:
    assert read("storage.health", grow(asked(printed("ata"), kind="sat")), kind="sat")["passed"].value is True
