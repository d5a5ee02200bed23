"""Whatever a recorded tree holds, a probe gives readings or one of the three words for what it met."""

import tempfile
from contextlib import suppress
from pathlib import Path

import anyio
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.probes.attributes import clean
from verifier.gather.workers import run_probe

CATALOGUE = load_catalogue()
DMI = [f"sys/class/dmi/id/{n}" for n in ("product_serial", "sys_vendor", "product_name", "bios_version")]
TREE = [f"proc/device-tree/{n}" for n in ("model", "compatible", "serial-number")]
NET = [f"sys/class/net/eth0/{n}" for n in ("type", "device", "carrier", "speed", "duplex", "flags", "statistics")]
HEAT = ["sys/class/thermal/thermal_zone0/temp", "sys/class/thermal/thermal_zone0/type"]
HWMON = [f"sys/class/hwmon/hwmon0/{n}" for n in ("name", "temp1_input", "temp1_label", "temp1_fault", "device")]
USB = [f"sys/bus/usb/devices/2-1/{n}" for n in ("speed", "idVendor", "idProduct", "product", "bDeviceClass")]
INPUT = "sys/class/input/input0"
FROM_FILES = [
    n for n in CATALOGUE.names() if set() < set(CATALOGUE.probe(n).declaration.services) <= {"files", "commands"}
]
"""Probes that a recorded tree can serve."""
MORE = [
    *(f"{INPUT}/{n}" for n in ("name", "capabilities/key", "capabilities/sw", "id/bustype", "event0")),
    *(f"sys/class/drm/card0-DP-1/{n}" for n in ("status", "enabled", "modes", "edid")),
    *(
        f"sys/class/power_supply/BAT0/{n}"
        for n in ("type", "capacity", "voltage_now", "energy_full", "temp", "status")
    ),
    *(f"sys/class/power_supply/AC/{n}" for n in ("type", "online", "current_now")),
    *(f"sys/block/sda/{n}" for n in ("size", "removable", "device/model", "device/vpd_pg80", "queue/rotational")),
    *(f"sys/class/rtc/rtc0/{n}" for n in ("name", "since_epoch")),
    *(f"sys/class/bluetooth/hci0/{n}" for n in ("rfkill1/state", "type")),
    *(f"sys/firmware/efi/esrt/entries/entry0/{n}" for n in ("fw_type", "fw_version")),
    "sys/devices/system/cpu/online",
    "sys/devices/system/cpu/present",
    "sys/class/net/wlan0/type",
    "sys/class/net/wlan0/phy80211",
    "sys/class/sound/pcmC0D0p",
    "proc/asound/card0/pcm0p",
    *(f"proc/{n}" for n in ("cpuinfo", "meminfo", "net/wireless", "asound/cards")),
]
LINES = st.sampled_from(
    [
        b"Battery",
        b"Mains",
        b"connected",
        b"0-3,8",
        b"0-99999",
        b"10000000000000 0",
        b"ffff " * 40,
        b"processor\t: 0\ncore id\t: \xff\n",
        b"processor : 0\n" * 3,
        b"MemTotal:  12 kB\n",
        b"MemTotal:  999999999999999 kB\n",
        b" wlan0: 0000   54.  -56.  -256        0\n",
        b" wlan0: 0000   54.  191.  -256        0\n",
        b" 0 [PCH            ]: HDA - \x1b[2J\n",
        b" 0 [   ]: HDA - x\n",
        b"\x00\x80\xff\xff" + b"\xff" * 80,
        bytes.fromhex("00ffffffffffff00") + bytes(120),
        bytes.fromhex("00ffffffffffff00") + b"\xff" * 120,
        b"-9007199254740992",
        b"9007199254740992",
    ]
)
ASKED = [
    *((name, {}) for name in FROM_FILES if name != "usb.device"),
    ("display.connector", {"connector": "DP-1"}),
    ("power.battery", {"name": "BAT0"}),
    ("storage.device", {"device": "sda"}),
    ("wifi.signal", {"interface": "wlan0"}),
    ("thermal.sensors", {"sensor": "[a-"}),
    ("ethernet.link", {"interface": "eth0"}),
    ("usb.device", {"path": "2-1"}),
]
CONTENT = (
    st.binary(max_size=40)
    | LINES
    | st.sampled_from(
        [b"1\n", b"0x1003", b"46000", b"1000", b"-1", b"9" * 30, b"1e5", b"\xff" * 9000, b"NaN", b"\x00"]
    )
    | st.sampled_from(["/", "..", "../..", "x", "/sys", "/sys/class/net/eth0"])
)


def build(root: Path, contents: dict[str, bytes | str]) -> None:
    for path, content in contents.items():
        at = root / path
        with suppress(OSError):
            at.parent.mkdir(parents=True, exist_ok=True)
            if isinstance(content, str):
                at.symlink_to(content)
            else:
                at.write_bytes(content)
    (root / "sys/bus/usb/devices/usb2").mkdir(parents=True, exist_ok=True)


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(st.sampled_from(DMI + TREE + NET + HEAT + HWMON + USB + MORE), CONTENT, max_size=40))
def test_a_hostile_tree_gives_readings_or_a_word_for_what_was_met(contents: dict[str, bytes | str]) -> None:
    async def take_all(folder: str) -> None:
        host = open_host(f"recorded:{folder}", RealClocks())
        for name, given_settings in ASKED:
            try:
                async for reading in run_probe(CATALOGUE.probe(name), host, given_settings):
                    assert not isinstance(reading.value, str) or 0 < len(reading.value) <= 200
            except (Absent, NotPossible):
                pass
            except BenchFault as fault:
                # A file too long to be one of the kernel's is a fault of the recording; nothing else is.
                assert "broke down" not in fault.what, fault.what

    with tempfile.TemporaryDirectory() as folder:
        build(Path(folder), contents)
        anyio.run(take_all, folder)


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_text_from_hardware_is_one_short_line_that_can_be_written(raw: bytes) -> None:
    text = clean(raw)
    assert len(text) <= 200 and text == text.strip()
    assert len(text.splitlines()) <= 1
    assert not any(ord(c) < 0x20 or 0x7F <= ord(c) <= 0x9F for c in text)
    text.encode()


MANDATORY = {
    "usb.device": {"path": "2-1"},
    "usb.plug": {"path": "2-1"},
    "display.plug": {"connector": "DP-1"},
    "ethernet.wiggle": {"interface": "eth0"},
    "dock.contacts": {"usb": "1-2"},
    "power.charge": {
        "highest_voltage": 4.4,
        "highest_current": 2.2,
        "taper": 0.2,
        "hottest": 45,
        "gauge_error": 2,
    },
}
"""Settings without which a probe cannot be asked."""
NOTHING_TO_ACT_ON = ("display.picture", "dock.contacts", "power.charge", "sound.beeps")
"""Probes that do something with the unit, and say first that a recording stands still."""


@pytest.mark.parametrize("name", FROM_FILES)
def test_an_empty_tree_is_absent(name: str, tmp_path: Path) -> None:
    async def take() -> None:
        host = open_host(f"recorded:{tmp_path}", RealClocks())
        async for _ in run_probe(CATALOGUE.probe(name), host, MANDATORY.get(name, {})):
            pass

    with pytest.raises(NotPossible if name in NOTHING_TO_ACT_ON else Absent):
        anyio.run(take)
