"""Sockets, radio, button, clock and console of a simulated unit, as the probes read them."""

from __future__ import annotations

import math
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import anyio
import pytest

from verifier.declare.lint import load_suite
from verifier.errors import Absent, BenchFault
from verifier.gather.catalogue import load_catalogue
from verifier.gather.prompts.question import Asker
from verifier.gather.simulated import (
    Description,
    Hands,
    ScriptedTechnician,
    SimulatedHost,
    SimulatedTaker,
    catalogue_for,
    injected,
    load_description,
)
from verifier.gather.simulated import with_faults as put_in
from verifier.gather.simulated.edid import composed
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.readings import Answer, Attempt, Moment, Person, Stage, Value
from verifier.shipped import find_suite
from verifier.steps import Ask, Cue

FILE = find_suite("marrowby-quayside").parent / "unit.toml"
UNIT = load_description(FILE)
FAULTS = catalogue_for(FILE, UNIT)
SUITE = load_suite(find_suite("marrowby-quayside"), load_catalogue()).suite
CATALOGUE = load_catalogue()


def take(
    probe: str,
    settings: dict[str, Any] | None = None,
    *faults: str,
    seed: int = 3,
    before: Callable[[SimulatedHost], None] = lambda host: None,
) -> dict[str, Value]:
    """What a probe reads, with the scripted technician at its cues."""
    unit, clocks = put_in(UNIT, FAULTS, injected(UNIT, FAULTS, faults)), VirtualClocks(seed)
    declaration = CATALOGUE.declaration(probe)
    assert declaration is not None

    async def main() -> dict[str, Value]:
        host = SimulatedHost(unit, seed, clocks)
        before(host)
        hands: Asker = Hands(ScriptedTechnician(SUITE, host), host)
        found: dict[str, Value] = {}
        taker = SimulatedTaker(host, CATALOGUE)
        async for step in taker.take(probe, settings or {}, "simulated", declaration=declaration, deadline=1e6):
            if isinstance(step, Cue):
                await hands.cue("a check", step)
            elif isinstance(step, Ask):
                raise AssertionError("nothing is asked here")
            else:
                found[step.name] = step.value  # type: ignore[union-attr]
        return found

    return anyio.run(main, backend_options=backend_options(clocks))


PORT_3 = {"path": "2-3", "or_path": "1-3"}


def test_usb_device_falls_back_to_the_usb_2_path_where_a_fast_pair_is_open() -> None:
    """facts of Linux: a SuperSpeed device without its fast pairs turns up on the USB 2 bus at 480 Mbit/s."""
    good = take("usb.device", PORT_3)
    assert (good["path"], good["speed"]) == ("2-3", 10000)
    open_pair = take("usb.device", PORT_3, "usb-3-fast-pair-open=both")
    assert (open_pair["path"], open_pair["speed"]) == ("1-3", 480)
    with pytest.raises(Absent, match="nothing is plugged in"):
        take("usb.device", {"path": "2-1"}, "board-link-half-seated=gap")


def test_one_way_up_shows_only_when_the_plug_is_turned_over() -> None:
    found = take("usb.plug", {**PORT_3, "label": "3", "both_ways": True}, "usb-3-fast-pair-open=one-way-up")
    assert (found["speed"], found["speed_turned"]) == (10000, 480)
    assert (found["fell_back"], found["fell_back_turned"]) == (False, True)


@pytest.mark.parametrize(("label", "connector"), [("6", "card0-DP-1"), ("7", "card0-DP-2")])
def test_display_is_read_whole_and_damaged(label: str, connector: str) -> None:
    number = {"6": 1, "7": 2}[label]
    good = take("display.connector", {"connector": connector})
    # VESA CVT 1.2 with reduced blanking, 2560 × 1440 at 60 Hz: 241.50 MHz over 2720 × 1481 (from memory).
    assert (good["edid_valid"], good["width"], good["height"]) == (True, 2560, 1440)
    assert good["refresh"] == pytest.approx(241.50e6 / (2720 * 1481), abs=0.002)
    assert (
        take("display.connector", {"connector": connector}, f"display-{number}-lane-dead=bits-lost")["edid_valid"]
        is False
    )
    dead = take("display.connector", {"connector": connector}, f"display-{number}-lane-dead=hot-plug")
    assert dead["connected"] is False
    assert take("display.plug", {"connector": connector})["edid_valid"] is True


def test_edid_is_one_that_edid_decode_finds_nothing_wrong_with(tmp_path: Path) -> None:
    """Against edid-decode, which knows VESA E-EDID better than we do."""
    file = tmp_path / "edid"
    file.write_bytes(composed(UNIT.displays["6"]))
    said = subprocess.run(["edid-decode", str(file)], capture_output=True, text=True, check=False).stdout
    assert "Manufacturer: BWF" in said and "2560x1440" in said and "Test display" in said
    assert "Checksum: 0x" in said and "(should be" not in said


def test_levels_of_two_chains_add_up_as_powers() -> None:
    """10 log10 2 = 3.0 dB over one chain; an antenna that is off leaves what the other one hears."""
    host = SimulatedHost(UNIT, 3, VirtualClocks(3))
    assert host.antennas is not None
    one, other = host.antennas.chains(1.0)
    assert host.antennas.level(1.0) == pytest.approx(10 * math.log10(10 ** (one / 10) + 10 ** (other / 10)))
    left_off = SimulatedHost(
        put_in(UNIT, FAULTS, injected(UNIT, FAULTS, ["antenna-left-off"])), 3, VirtualClocks(3)
    )
    assert left_off.antennas is not None
    # World of the demo: an antenna off takes 19 dB off its chain.
    assert left_off.antennas.chains(1.0) == pytest.approx([one - 19, other])


def test_a_module_that_is_not_seated_takes_both_radios_away() -> None:
    for probe, settings in (("wifi.signal", {"interface": "wlan0"}), ("bluetooth.adapter", {})):
        assert take(probe, settings)
        with pytest.raises(Absent):
            take(probe, settings, "radio-not-seated")


def test_presses_are_heard_missed_and_doubled() -> None:
    settings = {"presses": 10}
    good = take("button.presses", settings)
    assert (good["registered"], good["missed"], good["doubled"]) == (10, 0, 0)
    assert int(take("button.presses", settings, "button-flex-half-seated=looks-latched")["missed"]) > 0
    assert take("button.presses", settings, "button-flex-half-seated=open")["missed"] == 10
    assert int(take("button.presses", settings, "button-bounces=often")["doubled"]) > 0


def test_the_link_is_lost_while_its_plug_is_moved_and_only_then() -> None:
    settings = {"interface": "eth0", "seconds": 20.0}
    assert take("ethernet.wiggle", settings)["drops"] == 0
    moved = take("ethernet.wiggle", settings, "lan-plug-intermittent=moved")
    # 0.5 a second for 20 s, each followed by 0.6 s without a link.
    assert 3 <= int(moved["drops"]) <= 18
    watched = {"interface": "eth0", "seconds": 600.0}
    assert take("ethernet.link", watched, "lan-plug-intermittent=moved")["carrier_changes_seen"] == 0
    assert int(take("ethernet.link", watched, "lan-plug-intermittent=seldom")["carrier_changes_seen"]) > 0


@pytest.mark.parametrize(
    ("fault", "empty", "low"),
    [("", False, False), ("cell-flat=low", False, False), ("cell-flat", True, True), ("cell-lead-off", True, True),
     ("cell-reversed=overlooked", True, True)],
)  # fmt: skip
def test_flags_of_the_clock_follow_the_cell(fault: str, empty: bool, low: bool) -> None:
    """RTC_VL_BACKUP_LOW and _EMPTY of include/uapi/linux/rtc.h; below 2.6 V low, below 2.2 V empty (invented)."""
    found = take("clock.battery", {}, *[fault] * bool(fault))
    assert (found["battery_empty"], found["battery_low"]) == (empty, low)


def away(seconds: float) -> Callable[[SimulatedHost], None]:
    return lambda host: host.state.cuts.append((0.0, seconds))


def test_clock_forgets_the_time_without_cell_and_supply_and_bridges_a_short_gap() -> None:
    """World of the demo: it holds up 40 s without a cell."""
    assert take("clock.rtc", {}, before=away(3600.0))["valid"] is True
    assert take("clock.rtc", {}, "cell-flat", before=away(39.0))["valid"] is True
    assert take("clock.rtc", {}, "cell-flat", before=away(41.0))["valid"] is False
    assert take("clock.rtc", {}, "cell-flat=low", before=away(3600.0))["valid"] is True


def test_clock_gains_by_its_crystal_and_its_distance_from_the_turnover() -> None:
    """0.034 ppm/K², tuning-fork crystal (from memory): at 35 °C it loses 3.4 ppm against 25 °C."""
    clock = {"rtc": "rtc0", "crystal_ppm": 10.0, "temperature": 35.0}
    unit = Description.model_validate({**UNIT.to_json(), "clock": clock})
    clocks = VirtualClocks(1)
    host = SimulatedHost(unit, 1, clocks)
    assert host.clock.ppm == pytest.approx(10.0 - 3.4)
    clocks.advance(1e6)
    assert host.clock.shows() - clocks.wall() == pytest.approx(6.6, abs=1e-3)


@pytest.mark.parametrize("host_state", ["sound", "sagging"])
def test_voltage_falls_by_ohms_times_amperes(host_state: str) -> None:
    """Ohm's law: 0.9 A through 0.08 Ω takes 72 mV off, and 0.6 Ω more of a bad contact another 540 mV."""
    faults = ["usb-1-sags"] * (host_state == "sagging")
    points = SimulatedHost(put_in(UNIT, FAULTS, injected(UNIT, FAULTS, faults)), 3, VirtualClocks(3)).points
    drop = points.value("usb.1") - points.value("usb.1", 0.9)
    assert drop == pytest.approx(0.072 + 0.54 * (host_state == "sagging"))


BENCH = {"peer": "bench", "interface": "eth0"}


def test_far_end_is_reached_at_the_speed_of_the_link() -> None:
    """Ceiling 941.48 Mbit/s on 1000 Mbit/s, and 94.1 on 100 (IEEE 802.3 framing; RFC 7323 timestamps)."""
    good, slow = take("network.throughput", BENCH), take("network.throughput", BENCH, "lan-pair-open")
    assert 900 < float(good["up"]) <= 941.5 and 900 < float(good["down"]) <= 941.5
    assert 90 < float(slow["up"]) <= 94.15
    assert good["ceiling"] == pytest.approx(941.48, abs=0.01)


def test_what_is_lost_on_the_way_shows_in_loss_and_in_throughput() -> None:
    """With 1 % lost, TCP gets at the most MSS/RTT √1.5/√p: 1448 octets, 0.4 ms: 355 Mbit/s (Mathis and others)."""
    lossy = UNIT.to_json()
    lossy["ethernet"][0]["loss"] = 0.01
    unit = Description.model_validate(lossy)

    async def main() -> tuple[float, float]:
        host = SimulatedHost(unit, 3, VirtualClocks(3))
        far_end = await host.net.far_end("bench")
        sent = await far_end.datagrams("up", payload=1472, count=10_000, rate=0)
        return sent.lost / sent.sent, (await far_end.stream("up", 2.0)).rate

    clocks = VirtualClocks(3)
    share, rate = anyio.run(main, backend_options=backend_options(clocks))
    assert share == pytest.approx(0.01, abs=0.005)
    assert rate == pytest.approx(355, rel=0.02)


@pytest.mark.parametrize(
    ("fault", "left", "right", "swapped"),
    [
        ("", True, True, False),
        ("headset-channels-swapped", True, True, True),
        ("headset-channel-dead=left", False, True, None),
    ],
)  # fmt: skip
def test_sides_of_the_sound_come_back_through_the_plug(
    fault: str, left: bool, right: bool, swapped: bool | None
) -> None:
    found = take("sound.loop", {}, *[fault] * bool(fault))
    assert (found["left_arrives"], found["right_arrives"], found.get("swapped")) == (left, right, swapped)
    if left:
        # Third harmonic of x - 0.0005 x³ at half of full scale: 0.0005 · 0.25/4 of it, -90 dB, below the noise of
        # 0.00003 of full scale, -80 dB of 0.5/√2.
        assert found["left_thd_n"] == pytest.approx(-81.5, abs=1.0)


LOOP = {"port": "/dev/ttyS1", "baud": 115_200, "seconds": 5.0, "modem": True}


def test_what_is_sent_comes_back_through_the_plug_with_the_errors_of_the_line() -> None:
    good = take("serial.loop", LOOP)
    assert (good["in_step"], good["bit_errors"], good["slips"], good["rts_cts"]) == (True, 0, 0, True)
    # Ten bits a character at 115,200 baud: 57,600 characters in 5 s.
    assert good["sent"] == pytest.approx(57_600, abs=300)
    noisy = take("serial.loop", LOOP, "serial-line-noise=little")
    # One bit of one character in 2000: 29 of them, within four standard deviations.
    assert 7 <= int(noisy["bit_errors"]) <= 51
    assert take("serial.loop", LOOP, "serial-line-noise=handshake-open")["rts_cts"] is False


def test_what_was_done_before_a_pause_is_done_again_afterwards() -> None:
    """A resume meets a new process: the plugs that were turned over still are, and the supply was away."""
    by, at = Person(name="T07"), Moment(wall="2026-11-25T20:00:00.000Z", boot="500.0", boot_id="simulated-3")

    def answered(check: str, kind: str, value: Value) -> Attempt:
        answer = Answer(kind=kind, shown="", value=value, by=by, at=at)
        return Attempt(check=check, stage=Stage.CLOSED, began=at, answers=(answer,))

    away = UNIT.to_json()
    away["seen"]["supply-away"] = {"does": "cut supply"}
    host = SimulatedHost(Description.model_validate(away), 3, VirtualClocks(3))
    hands = Hands(ScriptedTechnician(SUITE, host), host)
    hands.remember([answered("turn-plugs", "confirm", False)])
    assert host.state.turned == set()
    hands.remember([answered("turn-plugs", "confirm", True), answered("supply-away", "timed", 120.0)])
    assert host.state.turned >= {"2-3", "2-4"}
    assert host.state.cuts == [(380.0, 500.0)]


# ---- a time server, and test media ------------------------------------------------------------------------


def test_the_time_server_of_the_bench_answers_over_the_units_network() -> None:
    found = take("clock.network", {"server": "time.bench.example"})
    assert found["answers"] == 4 and found["stratum"] == 1
    # The unit's system time is right, and the exchange is known within half its round trip.
    assert isinstance(found["ahead"], float) and abs(found["ahead"]) <= found["delay"] / 2  # type: ignore[operator]
    with pytest.raises(BenchFault, match="does not answer"):
        take("clock.network", {"server": "time.bench.example"}, "board-link-half-seated")


PORT_3 = {"path": "2-3", "or_path": "1-3"}


def test_a_test_medium_is_written_and_read_back_at_the_speed_of_its_port() -> None:
    fast, slow = take("usb.data", PORT_3), take("usb.data", PORT_3, "usb-3-fast-pair-open=both")
    assert fast["medium"] == slow["medium"] == "TS-3"
    assert fast["identical"] is True and slow["identical"] is True
    # USB 2.0 signals at 480 Mbit/s, 60 MB/s; USB 3 is above.
    assert slow["read_rate"] < 60 < fast["read_rate"]  # type: ignore[operator]


def test_no_medium_no_data() -> None:
    def pulled(host: SimulatedHost) -> None:
        host.state.unplugged.add("2-3")

    with pytest.raises(Absent):
        take("usb.data", PORT_3, before=pulled)


def test_a_port_with_errors_breaks_transfers_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """1,000 errors a gigabyte, 32 MB there and back: exp(-32) of them come through."""
    described = UNIT.to_json()
    described["usb"]["3"]["errors_per_gigabyte"] = 1000.0
    monkeypatch.setitem(globals(), "UNIT", Description.model_validate(described))
    found = take("usb.data", PORT_3)
    assert found["identical"] is False and "Input/output error" in str(found["fault"])
    assert "read_rate" not in found
