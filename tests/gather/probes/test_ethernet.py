"""The wired network link."""

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import anyio
import pytest

from verifier.errors import Absent, NotPossible
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.probes.ethernet import Link, Settings
from verifier.gather.workers import run_probe

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]


def values(found: dict[str, Any]) -> dict[str, object]:
    return {name: reading.value for name, reading in found.items()}


def port(name: str, **files: str) -> dict[str, str | bytes]:
    given = {"type": "1", "flags": "0x1003", "device/vendor": "0x1", "carrier": "1", "speed": "1000", **files}
    return {f"sys/class/net/{name}/{file}": text + "\n" for file, text in given.items()}


def test_the_one_wired_port_of_a_recorded_tree(read: Read, hardware: Path) -> None:
    """Documentation/ABI/testing/sysfs-class-net: speed in Mbit/s, carrier 1 is up. flags 0x1303 has IFF_UP."""
    found = read("ethernet.link", hardware / "composite")
    assert values(found) == {
        "interface": "eth0",
        "enabled": True,
        "carrier": True,
        "speed": 1000,
        "duplex": "full",
        "carrier_changes": 2,
    }
    assert found["speed"].unit == "Mbit/s" and all(reading.exact for reading in found.values())


def test_error_counters_of_a_recorded_server(read: Read, hardware: Path) -> None:
    """Documentation/ABI/testing/sysfs-class-net-statistics."""
    found = values(read("ethernet.link", hardware / "server", interface="eth0"))
    counters = ("rx_errors", "tx_errors", "rx_crc_errors", "rx_frame_errors", "collisions")
    assert [found[name] for name in counters] == [0, 0, 0, 0, 0]
    assert (found["carrier"], found["speed"], found["duplex"]) == (True, 1000, "full")


def test_a_port_that_is_switched_off_has_neither_link_nor_speed(read: Read, hardware: Path) -> None:
    found = values(read("ethernet.link", hardware / "server", interface="eth1"))
    assert found["enabled"] is False
    assert not {"carrier", "speed", "duplex"} & set(found)


@pytest.mark.parametrize(
    ("speed", "errors"), [("-1", "{}"), ("", "{}"), ("4294967295", "{}"), ("0", "{}"), ("1000", '"EINVAL"')]
)
def test_a_speed_that_is_not_known_is_missing(read: Read, grow: Grow, speed: str, errors: str) -> None:
    """EINVAL, empty and -1 were all met; 4294967295 is SPEED_UNKNOWN, include/uapi/linux/ethtool.h."""
    tree = port("eth0", carrier="0", speed=speed)
    if errors != "{}":
        tree["errors.json"] = f'{{"/sys/class/net/eth0/speed": {errors}}}'
    found = values(read("ethernet.link", grow(tree)))
    assert found["carrier"] is False and "speed" not in found


def test_bridges_radios_and_others_are_no_wired_ports(read: Read, grow: Grow) -> None:
    tree = {
        **port("wlan0", **{"phy80211/name": "phy0"}),
        **port("wlan1", **{"wireless/status": "0"}),
        **port("ib0", type="32"),
        **port("lan"),
        **port("br0"),
    }
    del tree["sys/class/net/br0/device/vendor"]
    assert read("ethernet.link", grow(tree))["interface"].value == "lan"


def test_a_bridge_is_read_when_it_is_named(read: Read, grow: Grow) -> None:
    tree = port("br0")
    del tree["sys/class/net/br0/device/vendor"]
    with pytest.raises(Absent, match="no wired network port"):
        read("ethernet.link", grow(tree))
    assert read("ethernet.link", grow({}), interface="br0")["speed"].value == 1000


def test_of_several_ports_none_is_guessed(read: Read, hardware: Path) -> None:
    with pytest.raises(NotPossible, match="eth0, eth1"):
        read("ethernet.link", hardware / "server")


def test_an_interface_that_is_not_there_is_absent(read: Read, hardware: Path) -> None:
    for name in ("eth9", "lo"):  # the link of lo in this tree leads nowhere
        with pytest.raises(Absent, match=name):
            read("ethernet.link", hardware / "server", interface=name)


@pytest.mark.parametrize("name", ["../x", ".", "a/b", "a b", "x" * 16, "a\0"])
def test_an_interface_name_cannot_be_a_path(name: str) -> None:
    with pytest.raises(ValueError, match="no interface name"):
        Settings(interface=name)


def test_a_recording_cannot_be_watched(read: Read, hardware: Path) -> None:
    with pytest.raises(NotPossible, match="over recorded"):
        read("ethernet.link", hardware / "composite", seconds=5.0)


def test_losses_of_the_link_while_it_is_watched(grow: Grow) -> None:
    folder = grow(port("eth0", carrier_changes="7", **{"statistics/rx_errors": "3", "statistics/tx_errors": "1"}))
    slept = []

    class Clocks(RealClocks):
        async def sleep(self, seconds: float) -> None:
            slept.append(seconds)
            grow(port("eth0", carrier_changes="9", **{"statistics/rx_errors": "8", "statistics/tx_errors": "1"}))

    recording = open_host(f"recorded:{folder}", RealClocks())
    host = SimpleNamespace(address="local", services=recording.services, files=recording.files, clocks=Clocks())

    async def collect() -> dict[str, object]:
        return {r.name: r.value async for r in run_probe(Link(), host, {"seconds": 10.0})}  # type: ignore[arg-type]

    found = anyio.run(collect)
    assert slept == [10.0]
    assert (found["carrier_changes"], found["carrier_changes_seen"], found["errors_seen"]) == (7, 2, 5)
