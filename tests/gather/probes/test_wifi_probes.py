"""Probes of wireless links, over composed netlink messages and pyroute2's real decoder."""

from __future__ import annotations

import math
import struct
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.declare.levels import mean_level
from verifier.declare.lint import load_suite
from verifier.errors import Absent, InputError, NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts.local_radio import LocalRadio
from verifier.gather.probes.wireless import network_text
from verifier.gather.radio import Advertisement, RadioEvent, RadioStation
from verifier.gather.workers import run_probe
from verifier.readings import Basis, Reading

sys.path.insert(0, str(Path(__file__).parents[1] / "hosts"))
import radio_kernel as k

CATALOGUE = load_catalogue()
REFERENCE = {"interface": "wlan0", "reference": "bench-reference", "interval": 0.05}


class Clocks(RealClocks):
    """Clocks that jump."""

    now = 0.0

    def loop(self) -> float:
        return self.now

    async def sleep(self, seconds: float) -> None:
        self.now += seconds
        await anyio.sleep(0)


class Host:
    """A host with a radio and nothing else."""

    address = "local"
    services = frozenset({"files", "radio"})

    def __init__(self, radio: Any) -> None:
        self.clocks = getattr(radio, "clocks", None) or Clocks()
        self.radio = radio

    @property
    def files(self) -> Any:
        raise AssertionError("a probe that has a radio reads no files")

    commands = files


def take(probe: str, radio: Any, **settings: Any) -> dict[str, Reading]:
    async def collect() -> dict[str, Reading]:
        host = Host(LocalRadio(Clocks(), radio.line) if isinstance(radio, k.RadioKernel) else radio)
        return {r.name: r async for r in run_probe(CATALOGUE.probe(probe), host, settings)}  # type: ignore[union-attr, arg-type, misc]

    return anyio.run(collect)


def value(found: dict[str, Reading], name: str) -> Any:
    return found[name].value


def kernel(*samples: dict[int, int], **told: Any) -> k.RadioKernel:
    level = {"level": round(10 * math.log10(sum(10 ** (v / 10) for v in samples[0].values())))}
    return k.RadioKernel(stations=[[k.station(chains=chains, **{**level, **told})] for chains in samples])


# ---- wifi.signal --------------------------------------------------------------------------------------


def test_each_chain_is_the_mean_power_of_its_samples() -> None:
    left, right = [-48, -47, -50, -46], [-49, -48, -48, -52]
    # The first question, whether there is a link at all, is the first sample.
    found = take(
        "wifi.signal", kernel(*({0: a, 1: b} for a, b in zip(left, right, strict=True))), samples=4, **REFERENCE
    )
    for name, levels in (("chain_0", left), ("chain_1", right)):
        # By hand from JCGM 100, 5.1.2, over powers in mW.
        powers = [10 ** (level / 10) for level in levels]
        mean = sum(powers) / 4
        assert value(found, name) == pytest.approx(10 * math.log10(mean))
        scatter = math.sqrt(sum((p - mean) ** 2 for p in powers) / 3 / 4)
        repeats, step = found[name].contributions
        assert repeats.u == pytest.approx(10 / math.log(10) * scatter / mean) and repeats.dof == 3
        assert (step.basis, step.u) == (Basis.RESOLUTION, pytest.approx(1 / math.sqrt(12)))
    assert value(found, "samples_taken") == 4 and value(found, "source") == "nl80211"
    assert value(found, "chains") == value(found, "antennas") == 2


def test_an_antenna_that_is_off_shows_on_its_chain_and_hardly_in_the_whole() -> None:
    """Figures of the demo world: −48 dBm on each chain, −19 dB with the antenna off."""
    healthy = take("wifi.signal", kernel({0: -48, 1: -48}), samples=3, **REFERENCE)
    off = take("wifi.signal", kernel({0: -48, 1: -67}), samples=3, **REFERENCE)
    assert value(off, "chain_1") == value(off, "weakest") == -67 and value(off, "spread") == 19
    assert value(healthy, "spread") == 0
    assert value(healthy, "level") - value(off, "level") == 3


def test_a_chain_that_the_driver_leaves_out_is_missing_and_never_another_one() -> None:
    found = take("wifi.signal", kernel({1: -50}), samples=2, **REFERENCE)
    assert value(found, "chains") == 1 and value(found, "antennas") == 2
    assert "chain_0" not in found and value(found, "chain_1") == -50 and "spread" not in found


def test_levels_of_another_access_point_are_not_given() -> None:
    settings = {**REFERENCE, "reference": "harbour-office"}
    found = take("wifi.signal", kernel({0: -48, 1: -48}), samples=2, **settings)
    assert value(found, "connected") is True and value(found, "reference") is False
    assert not {"level", "chain_0", "network", "access_point"} & set(found)
    by_address = {"interface": "wlan0", "access_point": k.AP.upper(), "samples": 1}
    assert value(take("wifi.signal", kernel({0: -48}), **by_address), "reference") is True


def test_without_a_link_there_is_no_level() -> None:
    found = take("wifi.signal", k.RadioKernel(), **REFERENCE)
    assert (value(found, "connected"), value(found, "reference")) == (False, False) and "level" not in found
    assert value(take("wifi.signal", k.RadioKernel()), "connected") is False


@pytest.mark.parametrize("then", [[], [k.station("02:00:5e:10:00:09", chains={0: -90, 1: -90})]])
def test_after_a_loss_or_a_move_no_more_samples_count(then: list[bytes]) -> None:
    radio = kernel(*[{0: -48, 1: -48}] * 3)
    radio.stations.append(then)
    found = take("wifi.signal", radio, samples=10, **REFERENCE)
    assert value(found, "samples_taken") == 3 and value(found, "chain_0") == -48


def test_rates_counts_and_channel() -> None:
    sent = k.rate(tenths=8667, vht_mcs=9, vht_nss=2, w80=0, short=0)
    first = k.station(level=-48, retries=100, failed=2, sent=sent)
    last = k.station(level=-48, retries=140, failed=2, sent=sent, received=k.rate(tenths=60), connected=61)
    found = take("wifi.signal", k.RadioKernel(stations=[[first], [last]]), samples=2, **REFERENCE)
    assert (value(found, "channel"), value(found, "frequency")) == (36, 5180)
    assert (value(found, "sent_rate"), value(found, "sent_mode"), value(found, "sent_mcs")) == (866.7, "VHT", 9)
    assert (value(found, "sent_streams"), value(found, "sent_width"), value(found, "sent_guard")) == (2, 80, 0.4)
    # 866.7 Mbit/s is the highest of two streams at 80 MHz (net/wireless/util.c, base[2][9] · 2 · 10/9).
    assert value(found, "sent_share") == pytest.approx(100, abs=0.01)
    assert value(found, "received_mode") == "legacy" and "received_mcs" not in found
    assert (value(found, "retries"), value(found, "failed"), value(found, "connected_for")) == (40, 0, 61)
    once = take("wifi.signal", k.RadioKernel(stations=[[first]]), samples=1, **REFERENCE)
    assert "retries" not in once, "one sample has counted nothing"
    anew = [[first], [k.station(level=-48, retries=3)]]
    assert "retries" not in take("wifi.signal", k.RadioKernel(stations=anew), samples=2, **REFERENCE)


@pytest.mark.parametrize("level", [0, -128])
def test_what_stands_for_no_level_is_none(level: int) -> None:
    found = take("wifi.signal", kernel({0: -48}, level=level), samples=2, **REFERENCE)
    assert "level" not in found and value(found, "chain_0") == -48


def test_an_access_point_itself_has_no_access_point() -> None:
    radio = k.RadioKernel(interfaces=[k.Interface(kind=3)])
    with pytest.raises(NotPossible, match=r"used as access point.*wifi\.station"):
        take("wifi.signal", radio, interface="wlan0")
    with pytest.raises(Absent, match="there is no wireless interface wlan4; there are wlan0"):
        take("wifi.signal", k.RadioKernel(), interface="wlan4")


# ---- names -----------------------------------------------------------------------------------------------


@given(st.binary(max_size=32), st.binary(max_size=32))
def test_different_names_are_different_texts_that_can_be_printed(one: bytes, other: bytes) -> None:
    assert network_text(one).isprintable()
    network_text(one).encode("utf-8")
    assert (network_text(one) == network_text(other)) == (one == other)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("Café 7".encode(), "Café 7"),
        (b"a\nb\x1b[2J\x00", "a\\nb\\x1b[2J\\x00"),
        (b"\xff\xfe\\", "\\xff\\xfe\\\\"),
        ("\u202eevil".encode(), "\\u202eevil"),
    ],
)
def test_names_as_they_are_shown(name: bytes, text: str) -> None:
    assert network_text(name) == text


def test_names_and_addresses_are_personal_and_stand_in_no_other_reading() -> None:
    radio = kernel({0: -48, 1: -48})
    radio.interfaces[0].network = b"Family Surname"
    found = take("wifi.signal", radio, samples=2, interface="wlan0")
    assert {name for name, reading in found.items() if reading.personal} == {"network", "access_point"}
    for reading in found.values():
        if not reading.personal:
            assert "Surname" not in f"{reading}" and k.AP not in f"{reading}"


# ---- wifi.scan -------------------------------------------------------------------------------------------


def test_a_scan_finds_the_reference_among_others_and_names_none_of_them() -> None:
    networks = [
        k.heard("02:00:5e:10:00:07", b"Family Surname", level=-7000),
        k.heard(k.AP, b"bench-reference", level=-5000, frequency=2437),
        k.heard("02:00:5e:10:00:02", b"bench-reference", level=-4500, frequency=5180),
        k.heard("02:00:5e:10:00:08", b"bench-reference", level=-3000, age=60_000),
    ]
    found = take("wifi.scan", k.RadioKernel(networks=networks), reference="bench-reference", scans=2)
    assert (value(found, "heard"), value(found, "heard_in"), value(found, "scans")) == (True, 2, 2)
    assert (value(found, "level"), value(found, "channel"), value(found, "others")) == (-45, 36, 1)
    assert found["access_point"].personal and "Surname" not in str(found)
    one = take("wifi.scan", k.RadioKernel(networks=networks), access_point=k.AP, scans=1)
    assert (value(one, "channel"), value(one, "others")) == (6, 2)


def test_a_reference_that_is_not_heard() -> None:
    found = take(
        "wifi.scan", k.RadioKernel(networks=[k.heard(k.AP, b"other")]), reference="bench-reference", scans=1
    )
    assert value(found, "heard") is False and "level" not in found


# ---- wifi.station ----------------------------------------------------------------------------------------


def test_the_unit_as_the_access_point_hears_it() -> None:
    told = k.station("02:00:5e:20:00:05", level=-51, chains={0: -52, 1: -58}, silent=80)
    radio = k.RadioKernel(interfaces=[k.Interface(name="wlan1", kind=3, frequency=2412)], stations=[[told]])
    found = take("wifi.station", radio, interface="wlan1", samples=2, interval=0.05)
    assert (value(found, "associated"), value(found, "stations"), value(found, "channel")) == (True, 1, 1)
    assert (value(found, "chain_1"), value(found, "spread"), value(found, "silent_for")) == (-58, 6, 80)
    assert found["address"].personal


def test_who_is_not_associated_and_who_may_not_send_yet() -> None:
    ap = [k.Interface(name="wlan1", kind=3)]
    empty = take("wifi.station", k.RadioKernel(interfaces=ap), interface="wlan1")
    assert value(empty, "associated") is False and "level" not in empty
    two = [[k.station("02:00:5e:20:00:05"), k.station("02:00:5e:20:00:06")]]
    with pytest.raises(NotPossible, match="2 stations"):
        take("wifi.station", k.RadioKernel(interfaces=ap, stations=two), interface="wlan1")
    with pytest.raises(NotPossible, match="is no access point"):
        take("wifi.station", k.RadioKernel(), interface="wlan0")
    # The access point is the bench's: a missing one is not the unit's fault.
    with pytest.raises(NotPossible, match="there is no wireless interface wlan5"):
        take("wifi.station", k.RadioKernel(), interface="wlan5")
    flags = struct.pack("=II", 0xFE, 0xFE)
    waiting = [[k.station("02:00:5e:20:00:05").replace(struct.pack("=II", 0xFE, 0xA2), flags[:4] + b"\xa0\0\0\0")]]
    radio = k.RadioKernel(interfaces=ap, stations=waiting)
    assert value(take("wifi.station", radio, interface="wlan1", samples=1), "associated") is False


def test_the_example_of_each_radio_probe_stands_in_a_suite_without_a_complaint(tmp_path: Path) -> None:
    """Also seen from the bench, whose radio is asked then."""
    head = 'schema = 1\nmodel = "m"\ntitle = "t"\nrevision = 1\n\n'
    for name in ("wifi.signal", "wifi.scan", "wifi.station", "wifi.reconnects", "bluetooth.beacon"):
        declaration = CATALOGUE.declaration(name)
        assert declaration is not None
        (tmp_path / "suite.toml").write_text(head + declaration.example)
        assert load_suite(tmp_path / "suite.toml", CATALOGUE).warnings == (), name


def test_no_limit_on_a_name(tmp_path: Path) -> None:
    text = """schema = 1
model = "m"
title = "t"
revision = 1

[[checks]]
id = "wifi"
title = "Radio"
probe = "wifi.signal"
limits = [{ reading = "network", equals = "bench-reference", source = "set-up" }]
"""
    (tmp_path / "suite.toml").write_text(text)
    with pytest.raises(InputError, match=r"network.*is a personal field"):
        load_suite(tmp_path / "suite.toml", CATALOGUE)


# ---- wifi.reconnects -------------------------------------------------------------------------------------


class Scripted:
    """A radio whose link is told by a script: what happens, each so many seconds after the one before."""

    def __init__(self, *script: tuple[float, str], connected: bool = True) -> None:
        self.script, self.connected, self.clocks = list(script), connected, Clocks()
        self._local = LocalRadio(self.clocks, k.RadioKernel(stations=[[k.station()]]).line)

    async def interfaces(self) -> Any:
        return await self._local.interfaces()

    async def stations(self, interface: str) -> list[RadioStation]:
        return await self._local.stations(interface) if self.connected or self.script else []

    @asynccontextmanager
    async def watch(self, interface: str) -> AsyncIterator[Scripted]:
        yield self

    async def next(self, timeout: float) -> RadioEvent | None:
        wait, kind = self.script[0] if self.script else (timeout, "")
        if wait >= timeout:
            self.clocks.now += timeout
            return None
        self.script.pop(0)
        self.clocks.now += wait
        return RadioEvent(kind=kind, at=self.clocks.now, by_far_end=True)  # type: ignore[arg-type]


def test_each_loss_with_its_time() -> None:
    story = ((2.0, "lost"), (0.5, "lost"), (1.0, "connected"), (3.0, "moved"), (1.0, "lost"), (0.2, "connected"))
    found = take("wifi.reconnects", Scripted(*story), interface="wlan0", seconds=60.0)
    assert (value(found, "losses"), value(found, "reconnects"), value(found, "moves")) == (2, 2, 1)
    assert value(found, "ended_by_access_point") == 2 and value(found, "connected_at_end") is True
    assert value(found, "loss_times") == "at 2.0 s for 1.5 s; at 7.5 s for 0.2 s"
    assert value(found, "first_loss_at") == pytest.approx(2) and value(found, "longest_loss") == pytest.approx(1.5)


def test_a_loss_that_does_not_end() -> None:
    found = take("wifi.reconnects", Scripted((50.0, "lost"), connected=False), interface="wlan0", seconds=60.0)
    assert value(found, "loss_times") == "at 50.0 s for 10.0 s, not back by the end"
    assert value(found, "connected_at_end") is False and value(found, "reconnects") == 0


def test_a_link_that_holds_and_one_that_is_not_there() -> None:
    found = take("wifi.reconnects", Scripted(), reference="bench-reference", seconds=60.0)
    assert (value(found, "losses"), value(found, "loss_times")) == (0, "none") and "longest_loss" not in found
    with pytest.raises(NotPossible, match="no access point to begin with"):
        take("wifi.reconnects", k.RadioKernel(), seconds=1.0)
    with pytest.raises(NotPossible, match="another access point than the reference") as refused:
        take("wifi.reconnects", k.RadioKernel(stations=[[k.station()]]), reference="quay", seconds=1.0)
    assert "bench-reference" not in str(refused.value), "the name of what it is connected to is nobody's business"


# ---- bluetooth.beacon ------------------------------------------------------------------------------------


class Beacons:
    def __init__(self, *heard: Advertisement) -> None:
        self.heard = list(heard)

    async def advertisements(self, adapter: str, seconds: float) -> list[Advertisement]:
        return self.heard


def named(name: bytes, level: int | None = -60, address: str = "c0:00:5e:00:00:01") -> Advertisement:
    return Advertisement(address=address, level=level, data=bytes([2, 1, 6, len(name) + 1, 9]) + name)


def test_the_reference_beacon_among_others() -> None:
    others = [named(b"Family Surname", address=f"c0:00:5e:00:01:{n:02x}") for n in range(3)]
    heard = [named(b"bench-beacon", -60), named(b"bench-beacon", -64), named(b"bench-beacon", None), *others]
    found = take("bluetooth.beacon", Beacons(*heard), name="bench-beacon")
    assert (value(found, "heard"), value(found, "times"), value(found, "others")) == (True, 3, 3)
    assert value(found, "level") == pytest.approx(mean_level([-60, -64])[0])
    assert "Surname" not in str(found)


def test_a_beacon_known_by_what_it_holds_or_its_address() -> None:
    data = bytes.fromhex("0201061aff4c000215") + bytes(range(16)) + bytes.fromhex("00010002c5")
    heard = Beacons(Advertisement(address="c0:00:5e:00:00:02", level=-70, data=data))
    assert value(take("bluetooth.beacon", heard, holds="0e0f00010002"), "heard") is True
    assert value(take("bluetooth.beacon", heard, holds="0e0f00010003"), "heard") is False
    assert value(take("bluetooth.beacon", heard, address="C0:00:5E:00:00:02"), "heard") is True
    silent = take("bluetooth.beacon", Beacons(), name="bench-beacon")
    assert value(silent, "heard") is False and "level" not in silent
