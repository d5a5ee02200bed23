"""The far end over a veth cable between two network namespaces: real links, real frames, real faults."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from namespaces import BENCH, PORT, UNIT, Cable, cable, far_end, ip, paired, take, taking

from verifier.errors import NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.peer import outside
from verifier.gather.peer.stations import Stations
from verifier.gather.peer.words import NETWORK


@pytest.fixture(scope="module")
def joined(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Cable, Path]]:
    station = tmp_path_factory.mktemp("station")
    with cable() as made, far_end(made) as code:
        paired(made, code, station)
        yield made, station


def test_throughput_both_ways_with_the_scatter_of_its_repeats(joined: tuple[Cable, Path]) -> None:
    found = take(*joined, "network.throughput", seconds=0.2, repeats=3, interface="lan0")
    # A veth says 10000 Mbit/s (drivers/net/veth.c) and carries more or less than that, as the machine can.
    assert found["ceiling"]["value"] == pytest.approx(9414.8, abs=0.1)
    for way in ("up", "down"):
        assert found[way]["unit"] == "Mbit/s" and found[way]["value"] > 100
        assert found[way]["value"] >= found[f"{way}_lowest"]["value"]
        ((basis, u, dof),) = found[way]["u"]
        assert basis == "repeats" and u > 0 and dof == 2
        assert found[f"{way}_share"]["value"] == pytest.approx(100 * found[way]["value"] / 9414.8, rel=1e-3)


def test_a_sound_cable_loses_nothing(joined: tuple[Cable, Path]) -> None:
    found = take(*joined, "network.loss", frames=[64, 1518], rate=2000.0, count=400)
    for way in ("up", "down"):
        assert [found[f"{way}_{name}"]["value"] for name in ("lost", "late", "duplicates")] == [0, 0, 0]
        assert found[f"{way}_loss_64"]["value"] == found[f"{way}_loss_1518"]["value"] == 0
        assert 0 <= found[f"{way}_jitter_64"]["value"] < 1000  # 0: less than a microsecond
        # 1472 octets of payload in a frame of 1518 (headers 14, 20 and 8, check sequence 4).
        frames, payload = found[f"{way}_rate_1518"], found[f"{way}_payload_1518"]
        assert payload["value"] == pytest.approx(frames["value"] * 1472 * 8 / 1e6)
        assert payload["u"][0][1] / payload["value"] == pytest.approx(frames["u"][0][1] / frames["value"])


@pytest.fixture
def second_way(joined: tuple[Cable, Path]) -> Iterator[tuple[Cable, Path]]:
    """A slower way to the same far end beside the cable, which the routes never choose: the place of a radio."""
    made, _ = joined
    ip("link", "add", "air0", "netns", made.unit, "type", "veth", "peer", "name", "air0", "netns", made.bench)
    try:
        for namespace, address in ((made.bench, "198.51.100.1/24"), (made.unit, "198.51.100.2/24")):
            ip("-n", namespace, "address", "add", address, "dev", "air0")
            ip("-n", namespace, "link", "set", "air0", "up")
        # Only for what is bound to it: the cable's route comes first.
        ip("-n", made.unit, "route", "add", "192.0.2.1/32", "dev", "air0", "metric", "900", "via", "198.51.100.1")
        shape = (
            "tc",
            "qdisc",
            "replace",
            "dev",
            "air0",
            "root",
            "tbf",
            "rate",
            "20mbit",
            "burst",
            "16kb",
            "limit",
            "64kb",
        )
        for namespace in (made.unit, made.bench):
            subprocess.run(made.on(namespace, *shape), check=True, capture_output=True)
        yield joined
    finally:
        ip("-n", made.unit, "link", "del", "air0")


def octets(made: Cable, interface: str) -> int:
    told = made.on(made.unit, "cat", f"/sys/class/net/{interface}/statistics/tx_bytes")
    return int(subprocess.run(told, check=True, capture_output=True).stdout)


def test_a_named_interface_carries_the_load_and_no_other_does(second_way: tuple[Cable, Path]) -> None:
    """Both ways lead to the far end; the slow one allows 20 Mbit/s. Were it the cable, it would be hundreds."""
    made, _ = second_way
    ip("-n", made.unit, "route", "replace", "192.0.2.1/32", "dev", "lan0", "metric", "10")
    before = octets(made, "lan0")
    found = take(*second_way, "network.throughput", seconds=0.4, repeats=2, interface="air0", direction="up")
    assert 5 < found["up"]["value"] < 22 and found["up"]["origin"].endswith("over air0")
    assert octets(made, "lan0") - before < 5_000, "nothing went over the cable"
    lost = take(*second_way, "network.loss", frames=[512], rate=400.0, count=100, interface="air0")
    assert lost["up_lost"]["value"] == lost["down_lost"]["value"] == 0 and "air0" in lost["up_lost"]["origin"]
    trip = take(*second_way, "network.round_trip", frames=[64], count=5, interface="air0")
    assert trip["lost"]["value"] == 0
    by_routes = take(*second_way, "network.throughput", seconds=0.2, repeats=2, direction="up")
    assert by_routes["up"]["value"] > 50, "unless it is named, the cable is what is tested"


def test_a_named_interface_that_leads_nowhere_is_not_replaced_by_one_that_does(
    second_way: tuple[Cable, Path],
) -> None:
    made, _ = second_way
    ip("-n", made.bench, "link", "set", "air0", "down")
    found = take(*second_way, "network.throughput", seconds=0.2, repeats=2, interface="air0")
    assert found["raised"] == "NotPossible" and "does not answer over air0" in found["what"]
    found = take(*second_way, "network.throughput", seconds=0.2, repeats=2, interface="air7")
    assert found["raised"] == "Absent" and "no network interface air7" in found["what"]


def test_frames_beyond_what_the_link_carries_are_lost(joined: tuple[Cable, Path]) -> None:
    """1 Mbit/s carries 81 full frames a second (RFC 5180, A.1); 400 at 2000 a second cannot pass a short queue."""
    made, _ = joined
    made.shape("tbf", "rate", "1mbit", "burst", "4kb", "limit", "20kb")
    try:
        found = take(*joined, "network.loss", frames=[1518], rate=2000.0, count=400, direction="up")
    finally:
        made.shape("pfifo")
    assert found["up_lost"]["value"] > 300
    assert found["up_loss"]["value"] == pytest.approx(found["up_lost"]["value"] / 4)


def test_round_trip_of_several_sizes(joined: tuple[Cable, Path]) -> None:
    found = take(*joined, "network.round_trip", frames=[64, 1518], count=20, interval=0.0)
    assert found["lost"]["value"] == 0
    for frame in (64, 1518):
        assert 0 < found[f"median_{frame}"]["value"] <= found[f"longest_{frame}"]["value"]
        assert found[f"round_trip_{frame}"]["u"][0][2] == 19


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Cable, Path]]:
    """Only the link-local addresses, which each end has by itself (RFC 4291, 2.5.6)."""
    station = tmp_path_factory.mktemp("bare")
    with cable() as made:
        for end in (made.unit, made.bench):
            show = made.on(end, "ip", "-6", "-o", "address", "show", "dev", "lan0", "-tentative")
            while not (told := subprocess.run(show, capture_output=True, text=True, check=True).stdout):
                time.sleep(0.1)  # each first asks whether anybody has it (RFC 4862, 5.4)
        place = f"[{told.split()[3].partition('/')[0]}%lan0]:{PORT}"
        with far_end(made, place=place) as code:
            paired(made, code, station, place)
            yield made, station


def test_a_cable_without_any_address_set_up(bare: tuple[Cable, Path]) -> None:
    found = take(*bare, "network.loss", frames=[512], rate=1000.0, count=100)
    assert [found[f"{way}_lost"]["value"] for way in ("up", "down")] == [0, 0]
    assert take(*bare, "network.round_trip", frames=[512], count=10)["lost"]["value"] == 0
    found = take(*bare, "network.throughput", seconds=0.1, repeats=2, interface="lan0", direction="up")
    # (1500 − 40 − 32) of 1538: headers of IP version 6 (RFC 8200, 3) are 20 octets longer.
    assert found["ceiling"]["value"] == pytest.approx(10_000 * 1428 / 1538)


def test_the_clocks_of_one_machine_agree_within_half_the_round_trip(joined: tuple[Cable, Path]) -> None:
    found = take(*joined, "clock.peer")
    ((_, u, _),) = found["ahead"]["u"]
    assert u == pytest.approx(found["delay"]["value"] / 2 / 3**0.5)  # rectangular, JCGM 100, 4.3.7
    assert abs(found["ahead"]["value"]) <= found["delay"]["value"] / 2 + 1e-6


def test_a_unit_whose_clock_is_wrong(joined: tuple[Cable, Path]) -> None:
    made, station = joined
    lie = (
        "import runpy, sys, time; real = time.time; time.time = lambda: real() - 3600; "
        "runpy.run_path(sys.argv.pop(1), run_name='__main__')"
    )
    script = str(Path(__file__).with_name("take.py"))
    out = subprocess.run(
        made.on(made.unit, sys.executable, "-c", lie, script, "clock.peer", "{}"),
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "VERIFIER_STATION": str(station)},
    ).stdout
    assert json.loads(out)["ahead"]["value"] == pytest.approx(-3600, abs=1)


def test_the_far_end_sees_its_own_side_of_the_link(joined: tuple[Cable, Path]) -> None:
    found = take(*joined, "peer.link", seconds=0.1)
    assert found["interface"]["value"] == "lan0" and found["carrier"]["value"] is True
    assert (found["speed"]["value"], found["duplex"]["value"]) == (10000, "full")  # drivers/net/veth.c
    assert found["errors_seen"]["value"] == 0 and found["rx_packets"]["value"] > 0


def test_who_asks_for_an_address_is_heard_at_the_far_end(joined: tuple[Cable, Path]) -> None:
    made, _ = joined
    hardware = subprocess.run(
        made.on(made.unit, "cat", "/sys/class/net/lan0/address"), capture_output=True, text=True, check=True
    ).stdout.strip()
    with taking(*joined, "peer.address_requests", seconds=3.0, kind="arp") as process:
        # Nobody has 192.0.2.77: its neighbours are asked for it by ARP.
        knock = "import socket; socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b'x', ('192.0.2.77', 9))"
        while process.poll() is None:
            subprocess.run(made.on(made.unit, sys.executable, "-c", knock), capture_output=True)
            time.sleep(0.2)
        assert process.stdout is not None
        found = json.loads(process.stdout.read())
    assert found["hardware_address"]["value"] == hardware
    assert found["senders"]["value"] == 1 and found["requests"]["value"] >= 1


def test_where_nobody_asks_for_an_address_the_label_is_not_blamed(
    bare: tuple[Cable, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over IP version 6 nobody asks by ARP, not even now and then whether the bench is still there."""
    monkeypatch.setenv("TAKE_ANSWER", "02:00:5e:10:41:74")
    found = take(*bare, "peer.label_address", seconds=1.0)
    assert found["raised"] == "NotPossible" and "nobody asked" in found["what"]


@pytest.mark.parametrize(
    "probe",
    [
        "network.throughput",
        "network.loss",
        "network.round_trip",
        "peer.link",
        "peer.label_address",
        "ethernet.link",
        "ethernet.wiggle",
    ],
)
def test_no_two_of_them_run_at_once_whatever_the_suite_says(probe: str) -> None:
    """Two loads would measure each other, and a plug that is moved would spoil what counts losses beside it."""
    assert NETWORK in load_catalogue().declaration(probe).holds


@pytest.mark.parametrize("board", ["same", "other"])
def test_the_label_is_held_against_who_really_asks(
    joined: tuple[Cable, Path], board: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made, _ = joined
    hardware = subprocess.run(
        made.on(made.unit, "cat", "/sys/class/net/lan0/address"), capture_output=True, text=True, check=True
    ).stdout.strip()
    label = hardware if board == "same" else "02:00:5e:10:41:74"
    monkeypatch.setenv("TAKE_ANSWER", label.upper().replace(":", "-"))
    with taking(*joined, "peer.label_address", seconds=2.0, label="the label at port 5") as process:
        assert process.stderr is not None and process.stdout is not None
        assert "the label at port 5" in process.stderr.readline()
        assert "pull the network plug" in process.stderr.readline()
        knock = "import socket; socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b'x', ('192.0.2.78', 9))"
        while process.poll() is None:
            subprocess.run(made.on(made.unit, sys.executable, "-c", knock), capture_output=True)
            time.sleep(0.2)
        found = json.loads(process.stdout.read())
    assert found["heard"]["value"] == hardware
    assert found["label"]["value"] == label
    assert found["agrees"]["value"] is (board == "same")
    assert (hardware in found["agrees"]["remark"]) is (board == "other")


def test_a_flood_of_requests_is_said_and_hides_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the unit's own request is among those not heard, and the unit is blamed."""
    monkeypatch.setattr(outside, "MOST_REQUESTS", 3)
    # RFC 826: hardware 1, protocol 0x0800, lengths 6 and 4, operation 1 (request).
    asks = bytes.fromhex("ffffffffffff 02005e100001 0806 0001 0800 06 04 0001") + bytes(20)
    done = threading.Event()

    def flood() -> None:
        with socket.socket(socket.AF_PACKET, socket.SOCK_RAW) as line:
            line.bind(("lo", 0))
            while not done.wait(0.02):
                line.send(asks)

    thread = threading.Thread(target=flood)
    thread.start()
    try:
        with pytest.raises(NotPossible, match="floods the network"):
            outside.requests("lo", 5.0)
    finally:
        done.set()
        thread.join()


def test_without_the_privilege_nobody_listens(tmp_path: Path) -> None:
    drop = ["setpriv", "--bounding-set", "-net_raw", "--inh-caps", "-net_raw"]
    with cable() as made:
        plain = made.on
        object.__setattr__(
            made, "on", lambda ns, *words: [*plain(ns), *(drop if ns == made.bench else []), *words]
        )
        with far_end(made) as code:
            paired(made, code, tmp_path)
            found = take(made, tmp_path, "peer.address_requests", seconds=0.2)
    assert found["raised"] == "NotPossible" and "CAP_NET_RAW" in found["what"]


def test_a_moved_plug_is_named_with_the_time_of_each_drop(tmp_path: Path) -> None:
    with cable() as made:
        with taking(made, tmp_path, "ethernet.wiggle", interface="lan0", seconds=2.0) as process:
            assert process.stderr is not None and process.stdout is not None
            assert "Ready?" in process.stderr.readline()
            assert "Move the plug" in process.stderr.readline()
            time.sleep(0.5)
            ip("-n", made.bench, "link", "set", "lan0", "down")
            time.sleep(0.3)
            ip("-n", made.bench, "link", "set", "lan0", "up")
            found = json.loads(process.stdout.read())
        assert found["drops"]["value"] == 1 and found["linked_at_end"]["value"] is True
        assert 0.3 < found["first_drop_at"]["value"] < 2
        assert found["drop_times"]["value"].startswith(f"at {found['first_drop_at']['value']:.2f} s for ")
        still = take(made, tmp_path, "ethernet.wiggle", interface="lan0", seconds=1.0)
    assert still["drops"]["value"] == 0 and still["drop_times"]["value"] == "none"
    assert "first_drop_at" not in still


def test_a_far_end_that_goes_away_is_the_benchs_fault(tmp_path: Path) -> None:
    with cable() as made:
        with far_end(made) as code:
            paired(made, code, tmp_path)
            process = taking(made, tmp_path, "network.loss", frames=[64], rate=100.0, count=1000, direction="down")
            loaded = made.on(made.bench, "ss", "-Hun", "state", "established", "dst", UNIT)
            while not subprocess.run(loaded, capture_output=True, check=True).stdout:
                time.sleep(0.05)
        with process:
            out, _ = process.communicate(timeout=60)
        assert '"BenchFault"' in out and "far end bench" in out
        gone = take(made, tmp_path, "clock.peer")
        assert gone["raised"] == "NotPossible" and "verifier peer --listen" in gone["to_do"]


def test_a_far_end_that_was_started_anew_knows_its_stations_until_they_are_revoked(tmp_path: Path) -> None:
    bench, unit = tmp_path / "bench", tmp_path / "unit"
    with cable() as made:
        with far_end(made, folder=bench) as code:
            paired(made, code, unit)
        with far_end(made, folder=bench) as code:
            assert code == "", "nobody else may pair unless that is asked for"
            assert take(made, unit, "clock.peer")["ahead"]["unit"] == "s"
            (known,) = Stations(bench / "far-end").all()
            revoke = [sys.executable, "-m", "verifier", "peer", "revoke", known.short_key, "--station", str(bench)]
            subprocess.run(revoke, check=True, capture_output=True)
            found = take(made, unit, "clock.peer")
        assert found["raised"] == "NotPossible" and "does not know this station" in found["what"]
        assert f"verifier peer pair {BENCH}:{PORT} --name bench" in found["to_do"]
        with far_end(made):
            found = take(made, unit, "clock.peer")
    assert found["raised"] == "NotPossible", "a far end with a folder of its own is a stranger"


def test_a_pairing_that_is_spoiled_is_named_and_used_for_nothing(tmp_path: Path) -> None:
    with cable() as made, far_end(made) as code:
        paired(made, code, tmp_path)
        (tmp_path / "peers" / "key").chmod(0o644)
        found = take(made, tmp_path, "clock.peer")
        assert found["raised"] == "BenchFault" and "peers/key: others may read" in found["what"]
        (tmp_path / "peers" / "key").chmod(0o600)
        (tmp_path / "peers" / "bench.json").write_text("{")
        found = take(made, tmp_path, "clock.peer")
    assert found["raised"] == "BenchFault" and "peers/bench.json" in found["what"]
    assert found["to_do"] == "Pair again; the file is replaced."


def test_it_listens_on_its_one_address_only(joined: tuple[Cable, Path]) -> None:
    made, _ = joined
    look = made.on(made.bench, "ss", "-Hltn")
    listening = subprocess.run(look, capture_output=True, text=True, check=True).stdout.split("\n")
    assert [line.split()[3] for line in listening if line] == [f"{BENCH}:{PORT}"]
