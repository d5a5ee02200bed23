"""From power to the first link: a veth pair whose far end comes up, or not, some time after the supply does."""

from __future__ import annotations

import secrets
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from instrument_bench import TestInstruments
from taking import take, u_of

from verifier.errors import NotPossible

FEED: dict[str, Any] = {"instrument": "supply", "voltage": 19.0, "current_limit": 1.0, "discharge": 0.1}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, instruments: TestInstruments) -> Path:
    return instruments.describe(tmp_path_factory.mktemp("station") / "instruments", "supply")


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


@pytest.fixture
def cable() -> Iterator[tuple[str, str]]:
    """Both ends of a cable in this computer: the bench's is up, the unit's is not."""
    tag = secrets.token_hex(3)
    bench, unit = f"vb{tag}", f"vu{tag}"
    ip("link", "add", bench, "type", "veth", "peer", "name", unit)
    ip("link", "set", bench, "up")
    yield bench, unit
    ip("link", "delete", bench)


class Unit(threading.Thread):
    """Links so many seconds after the supply has been switched on."""

    def __init__(self, instruments: TestInstruments, interface: str, seconds: float) -> None:
        super().__init__(daemon=True)
        self._instruments, self._interface, self._seconds = instruments, interface, seconds
        self.linked_after = self.unsure = 0.0
        """When it linked, and by how much that is unknown: a busy machine may look late and be slow."""

    def run(self) -> None:
        off = fed = time.monotonic()
        while not self._instruments.on():
            off = fed
            time.sleep(0.002)
            fed = time.monotonic()
        time.sleep(self._seconds)
        asked = time.monotonic()
        ip("link", "set", self._interface, "up")
        self.linked_after = time.monotonic() - fed
        self.unsure = (fed - off) + (time.monotonic() - asked)


def test_the_time_from_power_to_the_first_link(
    folder: Path, instruments: TestInstruments, cable: tuple[str, str]
) -> None:
    bench, unit = cable
    booting = Unit(instruments, unit, 0.7)
    booting.start()
    found = take(folder, "ethernet.first_link", interface=bench, longest=20.0, **FEED)
    booting.join()
    first = found["first_link"]
    assert found["linked"].value is True and found["stayed_on"].value is True
    known = 0.1 + booting.unsure + 3 * u_of(first)
    assert first.value == pytest.approx(booting.linked_after, abs=known) and u_of(first) > 0
    assert first.origin == f"bench: /sys/class/net/{bench}/carrier"
    assert not instruments.on()


def test_a_unit_that_never_links(folder: Path, instruments: TestInstruments, cable: tuple[str, str]) -> None:
    found = take(folder, "ethernet.first_link", interface=cable[0], longest=1.0, **FEED)
    assert found["linked"].value is False and "first_link" not in found and not instruments.on()


def test_a_link_that_is_there_without_the_supply_is_nobodys_first(
    folder: Path, instruments: TestInstruments, cable: tuple[str, str]
) -> None:
    """A switch between, or a unit that something else feeds: never a time of zero."""
    before = instruments.tell()["supply"]["times_on"]
    ip("link", "set", cable[1], "up")
    with pytest.raises(NotPossible, match="although the supply is off"):
        take(folder, "ethernet.first_link", interface=cable[0], **FEED)
    ip("link", "set", cable[0], "down")
    with pytest.raises(NotPossible, match=f"ip link set {cable[0]} up"):
        take(folder, "ethernet.first_link", interface=cable[0], **FEED)
    with pytest.raises(NotPossible, match="no network interface nowhere0"):
        take(folder, "ethernet.first_link", interface="nowhere0", **FEED)
    assert instruments.tell()["supply"]["times_on"] == before


def test_a_unit_that_is_the_bench_itself_has_nobody_to_look_from(
    folder: Path, instruments: TestInstruments, cable: tuple[str, str]
) -> None:
    before = instruments.tell()["supply"]["times_on"]
    with pytest.raises(NotPossible, match="no bench beside it"):
        take(folder, "ethernet.first_link", at="local", interface=cable[0], **FEED)
    assert instruments.tell()["supply"]["times_on"] == before
