"""Probes held against the programs that Debian has for the same, on this machine."""

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import anyio

from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.workers import run_probe

HERE = Path(__file__).parent


def take(name: str, **settings: object) -> dict[str, Any]:
    async def collect() -> dict[str, Any]:
        host = open_host("local", RealClocks())
        return {r.name: r.value async for r in run_probe(load_catalogue().probe(name), host, settings)}

    return anyio.run(collect)


def printed(*argv: str) -> str:
    return subprocess.run(argv, capture_output=True, text=True, timeout=30).stdout


def test_a_link_of_this_kernel_as_ethtool_has_it() -> None:
    """Two ports linked to each other, then the far one switched off."""
    result = subprocess.run(
        ["unshare", "--user", "--map-root-user", "--net", "--mount", sys.executable, str(HERE / "linked.py")],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert result.returncode == 0, result.stderr
    up, down = json.loads(result.stdout)
    assert up["probe"]["speed"] == int(re.search(r"Speed: (\d+)Mb/s", up["ethtool"])[1])  # type: ignore[index]
    assert up["probe"]["duplex"] == re.search(r"Duplex: (\w+)", up["ethtool"])[1].lower()  # type: ignore[index]
    for seen in (up, down):
        assert seen["probe"]["carrier"] is ("Link detected: yes" in seen["ethtool"])
    assert (up["probe"]["carrier"], down["probe"]["carrier"]) == (True, False)
    assert down["probe"]["carrier_changes"] == up["probe"]["carrier_changes"] + 1


def test_processors_and_memory_as_the_system_counts_them() -> None:
    assert take("processor.cores")["online"] == int(printed("getconf", "_NPROCESSORS_ONLN"))
    line = printed("free", "--mebi").splitlines()[1]
    assert abs(take("memory.size")["total"] - int(line.split()[1])) <= 1


def test_disk_sizes_as_lsblk_has_them() -> None:
    for line in printed("lsblk", "-bdnro", "NAME,SIZE,RM,RO").splitlines():
        name, size, removable, read_only = line.split()
        found = take("storage.device", device=name)
        assert round(found["size"] * 1e9) == int(size), name
        assert (found["removable"], found["read_only"]) == (removable == "1", read_only == "1"), name


def test_usb_devices_as_lsusb_lists_them() -> None:
    """Where lsusb has something to say: it is silent where there is no USB, or none that it may see."""
    lines = printed("lsusb").splitlines()
    if lines:
        found = take("usb.devices")
        assert found["controllers"] + found["hubs"] + found["devices"] == len(lines)
