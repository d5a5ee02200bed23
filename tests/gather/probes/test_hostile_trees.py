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
ASKED = [
    ("identity", {}),
    ("thermal.sensors", {}),
    ("thermal.sensors", {"sensor": "[a-"}),
    ("ethernet.link", {}),
    ("ethernet.link", {"interface": "eth0"}),
    ("usb.device", {"path": "2-1"}),
    ("usb.devices", {}),
]
CONTENT = (
    st.binary(max_size=40)
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


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(st.sampled_from(DMI + TREE + NET + HEAT + HWMON + USB), CONTENT, max_size=20))
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


@pytest.mark.parametrize("name", CATALOGUE.names())
def test_an_empty_tree_is_absent(name: str, tmp_path: Path) -> None:
    async def take() -> None:
        host = open_host(f"recorded:{tmp_path}", RealClocks())
        given_settings = {"path": "2-1"} if name == "usb.device" else {}
        async for _ in run_probe(CATALOGUE.probe(name), host, given_settings):
            pass

    with pytest.raises(Absent):
        anyio.run(take)
