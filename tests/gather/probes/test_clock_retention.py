"""clock.retention: read, pause while the power is away, read again. On a clock whose truth is known."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import anyio
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from kept_clock import NOON, Clock, Taken, Unit

from verifier.errors import BenchFault, NotPossible, Refused
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.workers import run_probe
from verifier.readings import Basis, Bound, Contribution, Reading
from verifier.services import Fix

SETTINGS: dict[str, Any] = {"server": "time.example", "holds_up": 40.0, "dwell": 600.0}


def across(before: Unit, after: Unit, **more: Any) -> Taken:
    """Both parts of one check; the readings of both."""
    first = before.take("clock.retention", SETTINGS | more)
    assert first.pause is not None, first.readings
    second = after.take("clock.retention", SETTINGS | more, first.readings)
    second.readings = [*first.readings, *second.readings]
    return second


def later(clock: Clock, minutes: float = 12.0, **more: Any) -> Unit:
    """The same unit after another start."""
    return Unit(clock, true=NOON + minutes * 60, **({"boot_id": "b", "up": 30.0, "answers": ["11 min"]} | more))


@pytest.mark.parametrize("ppm", [-40.0, 0.0, 12.0, 300.0])
def test_a_kept_time_and_its_rate(ppm: float) -> None:
    clock = Clock(ppm=ppm)
    found = across(Unit(clock), later(clock))
    assert found["kept"] is True and found["how"] == "kept" and found["away"] == 660
    assert found["rate"] == pytest.approx(ppm, abs=2 * found.u("rate"))
    assert found["elapsed"] == pytest.approx(720, abs=1.0)
    # Firm bounds of ± 5 ms at both ends over 12 min are u = 5.67 ppm (JCGM 100, 4.3.7); the look adds little.
    assert found.u("rate") == pytest.approx(5.67, abs=0.3)


def test_the_look_is_good_to_a_millisecond() -> None:
    found = Unit(Clock(ahead=0.3217, ppm=0.0)).take("clock.retention", SETTINGS)
    assert found["ahead_before"] == pytest.approx(0.3217, abs=0.001)


@pytest.mark.parametrize("wall_off", [0.0, -86_400.0 * 365 * 26, -NOON, 3600.0])
def test_nobodys_system_time_is_used(wall_off: float) -> None:
    """After the cut the computer's own time is right, in 2000, in 1970, before the pause, or an hour ahead."""
    clock = Clock(ppm=20.0)
    found = across(Unit(clock), later(clock, wall_off=wall_off))
    assert found["kept"] is True
    assert found["rate"] == pytest.approx(20.0, abs=2 * found.u("rate"))


@pytest.mark.parametrize(
    ("clock", "words"),
    [
        (Clock(lost_at=NOON + 60), "began anew, and shows 2000-01-01T00:11"),
        (Clock(lost_at=NOON + 60, starts=0.0), "began anew, and shows 1970-01-01T00:11"),
        (Clock(lost_at=NOON + 60, starts=NOON - 86_400 * 40), "jumped by"),
        (Clock(lost_at=NOON + 60, starts=NOON + 3600.4 - 540), "stood still for 10 min"),
    ],
)
def test_a_lost_time_and_how_it_was_lost(clock: Clock, words: str) -> None:
    found = across(Unit(replace(clock, lost_at=None)), later(clock))
    assert found["kept"] is False and words in found["how"]
    assert "rate" not in found.names


def test_a_clock_that_says_itself_that_it_stopped() -> None:
    clock = Clock()
    found = across(Unit(clock), later(clock, flags=1))
    assert found["kept"] is False and "flag" in found["how"]
    found = across(Unit(clock), later(replace(clock, invalid=True)))
    assert found["kept"] is False and "no time" in found["how"]


def test_a_clock_that_stands_before_needs_no_power_cut() -> None:
    for clock in (Clock(stands_at=NOON + 1), Clock(invalid=True)):
        found = Unit(clock).take("clock.retention", SETTINGS)
        assert found.pause is None and found["kept"] is False and "before" in found["how"]


def test_without_another_start_of_the_unit_it_asks_again_for_the_power_cut() -> None:
    clock = Clock()
    first = Unit(clock).take("clock.retention", SETTINGS)
    again = later(clock, boot_id="a").take("clock.retention", SETTINGS, first.readings)
    assert again.pause is not None and "on all the time" in again.pause.why and not again.readings


@pytest.mark.parametrize(("answer", "up", "minutes"), [("0", 30.0, 12), ("25 s", 30.0, 12), ("11 min", 400.0, 12)])
def test_too_short_without_power_pauses_again_and_what_was_read_stays_good(
    answer: str, up: float, minutes: float
) -> None:
    """By the technician's word, or because the unit has been up for too much of the time."""
    clock = Clock()
    first = Unit(clock).take("clock.retention", SETTINGS)
    short = later(clock, minutes, answers=[answer], up=up).take("clock.retention", SETTINGS, first.readings)
    assert short.pause is not None and "only" in short.pause.why and not short.readings
    whole = later(clock, 40, boot_id="c").take("clock.retention", SETTINGS, first.readings)
    assert whole["kept"] is True


def test_more_time_without_power_than_has_passed_counts_no_more_than_that() -> None:
    clock = Clock()
    assert across(Unit(clock), later(clock, answers=["2 h"]))["away"] == pytest.approx(690, abs=6)


def test_a_main_battery_feeds_the_clock() -> None:
    battery = {"/sys/class/power_supply/BAT0/type": "Battery", "/sys/class/power_supply/BAT0/present": "1"}
    with pytest.raises(NotPossible, match="main battery feeds"):
        Unit(Clock(), files_more=battery).take("clock.retention", SETTINGS)
    found = Unit(Clock(), files_more=battery).take("clock.retention", SETTINGS | {"battery_out": True})
    assert found.pause is not None and "main battery" in found.pause.say
    mouse = battery | {"/sys/class/power_supply/BAT0/scope": "Device"}
    assert Unit(Clock(), files_more=mouse).take("clock.retention", SETTINGS).pause is not None


LOG = "[    0.000000] Linux version 6.1\n[    2.500000] rtc_cmos 00:01: setting system clock to {} UTC ({})\n"


def test_a_clock_that_the_system_has_set_since_shows_what_the_kernel_found() -> None:
    """The cell was empty, the network put the clock right: only the kernel's log at the start tells."""
    right = Clock(ahead=0.0, ppm=0.0)
    lost = LOG.format("2000-01-01T00:00:03", 946_684_803)
    found = across(Unit(right), later(right, kept_right=True, kernel_log=lost))
    assert found["kept"] is False and "2000-01-01T00:00:0" in found["how"]
    kept = LOG.format("2026-11-25T12:11:32", int(NOON + 720 - 30 + 2.5))
    found = across(Unit(right), later(right, kept_right=True, kernel_log=kept))
    assert found["kept"] is True and "kernel" in found["how"] and "rate" not in found.names
    assert found["set_by_system"] is True


def test_where_the_system_sets_the_clock_and_no_log_tells_nothing_is_claimed() -> None:
    right = Clock(ahead=0.0)
    with pytest.raises(NotPossible, match="nothing shows whether the cell kept it"):
        across(Unit(right), later(right, kept_right=True))
    found = across(Unit(right, kept_right=True), later(right, kept_right=False))
    assert found["kept"] is True and "rate" not in found.names


def test_a_key_at_a_minute_mark() -> None:
    clock = Clock(ahead=2.0, ppm=0.0)
    first = Unit(clock, true=NOON + 11, answers=["2026-11-25 12:01"]).take(
        "clock.retention", SETTINGS | {"reference": "key"}
    )
    assert first["ahead_before"] == pytest.approx(2.0, abs=0.01)
    # Half a second either way is u = 0.5/√3 (JCGM 100, 4.3.7).
    assert first.u("ahead_before") == pytest.approx(0.5 / math.sqrt(3), rel=1e-3)
    after = Unit(clock, true=NOON + 12 * 60 + 20, boot_id="b", up=9, answers=["10 min", "2026-11-25 13:13 +01:00"])
    found = after.take("clock.retention", SETTINGS | {"reference": "key"}, first.readings)
    assert found["kept"] is True and found["change"] == pytest.approx(0.0, abs=0.01)
    assert any("seconds turn to 00" in said for said in after.said)


def test_a_minute_that_can_not_be_is_asked_for_again_and_the_second_answer_counts() -> None:
    """The minute before was typed; this computer's own clock is an hour off, and decides nothing."""
    unit = Unit(Clock(ahead=2.0, ppm=0.0), true=NOON + 11, answers=["2026-11-25 12:00", "2026-11-25 12:01"])
    assert unit.take("clock.retention", SETTINGS | {"reference": "key"})["ahead_before"] == pytest.approx(
        2, abs=0.01
    )
    assert "own clock, which may be wrong, says 2026-11-25 12:01:00 UTC" in unit.said[-1]
    astray = Unit(Clock(ahead=2.0, ppm=0.0), true=NOON + 11, wall_off=3600.0, answers=["2026-11-25 12:01"] * 2)
    assert astray.take("clock.retention", SETTINGS | {"reference": "key"})["ahead_before"] == pytest.approx(
        2, abs=0.01
    )


def test_a_clock_of_the_bench_and_its_own_uncertainty() -> None:
    def bench(true: float) -> Reading:
        known = Contribution.half_width(0.002, basis=Basis.SPECIFICATION, note="certificate")
        return Reading(name="value", value=true, unit="s", origin="bench clock", contributions=(known,))

    clock, more = Clock(ahead=5.0, ppm=0.0), {"reference": "instrument", "instrument": "bench-clock"}
    found = across(Unit(clock, given=[bench(NOON)]), later(clock, given=[bench(NOON + 720)]), **more)
    assert found["ahead"] == pytest.approx(5.0, abs=0.002)
    assert found.u("change") == pytest.approx(math.sqrt(2) * 0.002 / math.sqrt(3), rel=0.2)


def test_temperature_meanwhile_corrects_the_rate_to_25_degrees() -> None:
    """MAX6902 data sheet, p. 14: nominally -14.0 ppm at 45 °C, so a crystal of 6 ppm runs at -8 ppm there."""
    clock = Clock(ppm=-8.0)
    found = across(Unit(clock), later(clock), temperature=45.0, temperature_within=2.0)
    assert found["rate_25"] == pytest.approx(6.0, abs=2 * found.u("rate_25"))
    assert found.u("rate_25") > found.u("rate") + 1.5


def test_a_thermometer_of_the_bench_is_read_at_both_ends() -> None:
    def warm(value: float) -> Reading:
        return Reading(name="value", value=value, unit="Cel", origin="thermometer", contributions=())

    clock = Clock(ppm=0.0)
    found = across(Unit(clock, given=[warm(34.0)]), later(clock, given=[warm(36.0)]), thermometer="thermometer")
    # Half of what lies between both ends bounds it: parabola(35) = -3.5 ppm.
    assert found["rate_25"] == pytest.approx(3.5, abs=2 * found.u("rate"))


def test_a_reference_that_goes_backwards_is_no_reference() -> None:
    clock = Clock()
    with pytest.raises(BenchFault, match="before the first reading"):
        across(Unit(clock), later(clock, reference_off=-86_400.0))


@pytest.mark.parametrize("silent", ["the time server", "the unit"])
def test_what_is_not_up_yet_after_the_cut_costs_no_second_one(silent: str) -> None:
    class Silent(Unit):
        async def network(self, server: str, port: int) -> Fix:
            if silent == "the time server":
                raise NotPossible("the name leads to no address here")
            return await super().network(server, port)

        async def read(self, path: str, limit: int = 65_536) -> bytes:
            if silent == "the unit" and path.endswith("since_epoch"):
                raise BenchFault("the unit did not answer\x07")
            return await super().read(path, limit)

    clock = Clock(ppm=20.0)
    first = Unit(clock).take("clock.retention", SETTINGS)
    early = Silent(clock, true=NOON + 720, boot_id="b", up=5, answers=["11 min"])
    waits = early.take("clock.retention", SETTINGS, first.readings)
    assert waits.pause is not None and "cannot be read again yet" in waits.pause.why and not waits.readings
    assert "need not go away again" in waits.pause.say and waits.pause.seconds == 0
    found = later(clock, 15.0, up=190.0).take("clock.retention", SETTINGS, first.readings)
    assert found["kept"] is True and found["rate"] == pytest.approx(20.0, abs=2 * found.u("rate"))


class Logger(Unit):
    """Asked over a console. `instead` is what it says instead of its time, up to `until` s of its start."""

    services = frozenset({"console", "reference"})
    instead: str = ""
    until: float = math.inf

    @property
    def console(self) -> Logger:
        return self

    async def ask(self, command: str) -> str:
        await anyio.sleep(0.05)
        if self.instead and self.clocks.boot() < self.until:
            if self.instead == "error":
                raise Refused(f"the unit refused “{command}”: ERR 7 no time")
            return self.instead
        return f"{datetime.fromtimestamp(self.shows.shows(self.now), UTC):%Y-%m-%d %H:%M:%S}"


@pytest.mark.parametrize("instead", ["error", "----------"])
def test_a_console_that_answers_and_tells_no_time_has_lost_it(instead: str) -> None:
    clock = Clock(ppm=0.0)
    first = Logger(clock).take("clock.retention", SETTINGS)
    after = Logger(clock, true=NOON + 720, answers=["11 min"])
    after.instead = instead
    found = after.take("clock.retention", SETTINGS, first.readings)
    assert found.pause is None and found["kept"] is False
    assert found["how"].startswith("lost: ") and ("ERR 7" in found["how"] or "----------" in found["how"])


def test_a_console_that_is_still_starting_is_waited_for() -> None:
    clock = Clock(ppm=0.0)
    first = Logger(clock).take("clock.retention", SETTINGS)
    after = Logger(clock, true=NOON + 720, answers=["11 min"])
    after.instead, after.until = "error", 25.0
    assert after.take("clock.retention", SETTINGS, first.readings)["kept"] is True


def test_a_console_that_refuses_from_the_beginning_is_nobodys_lost_time() -> None:
    """It may not know the command at all."""
    logger = Logger(Clock())
    logger.instead = "error"
    with pytest.raises(BenchFault, match="ERR 7 no time") as caught:
        logger.take("clock.retention", SETTINGS)
    assert "set its clock" in caught.value.to_do


def test_a_clock_that_is_set_while_it_is_looked_at() -> None:
    class Jumping(Clock):
        def shows(self, true: float) -> float:
            return super().shows(true) + (40.0 if true > NOON + 2.2 else 0.0)

    with pytest.raises(BenchFault, match="was set, or jumped"):
        Unit(Jumping()).take("clock.retention", SETTINGS)


def test_a_recording_stands_still_and_a_unit_that_runs_nothing_has_no_clock(tmp_path: Path) -> None:
    async def take(address: str) -> None:
        host = open_host(address, RealClocks())
        async for _ in run_probe(load_catalogue().probe("clock.retention"), host, SETTINGS):
            pass

    for address, words in (
        (f"recorded:{tmp_path}", "cannot be read over recorded"),
        ("none", "runs nothing of ours"),
    ):
        with pytest.raises(NotPossible, match=words):
            anyio.run(take, address)


# ---- what is foreseen -----------------------------------------------------------------------------


def forecast(settings: dict[str, Any], *bounds: Bound, risk: float = 0.025) -> Any:
    declaration = load_catalogue().declaration("clock.retention")
    assert declaration is not None and declaration.forecast is not None
    return declaration.forecast(settings, bounds, risk)


def test_the_dwell_is_planned_by_the_limit_and_longer_than_the_clock_holds_up() -> None:
    settings = {"server": "t", "holds_up": 40.0, "look_within": 0.005}
    rate = Bound(reading="rate", lower=-20.0, upper=20.0)
    planned = forecast(settings, rate)
    assert planned.settings["dwell"] == 1800.0 and not planned.problem  # test_dwell.py, worked case
    assert any("<- this check" in line for line in planned.words)
    assert forecast(settings).settings["dwell"] == 90.0  # twice 40 s and what shows a jump of 2 s
    slow = forecast(settings | {"holds_up": 3600.0}, rate)
    assert slow.settings["dwell"] == 2 * 3605.0
    assert "the shortest" not in slow.problem


def test_a_dwell_that_is_too_short_for_the_limit_is_told_with_the_figure() -> None:
    rate = Bound(reading="rate", lower=-20.0, upper=20.0)
    short = forecast({"server": "t", "holds_up": 40.0, "look_within": 0.005, "dwell": 600.0}, rate)
    assert "± 20 ppm could never pass" in short.problem and "17.1 min" in short.to_do


def test_no_dwell_helps_against_a_temperature_that_nobody_knows() -> None:
    rate = Bound(reading="rate_25", lower=-1.0, upper=1.0)
    unknown = {"server": "t", "holds_up": 40.0, "temperature": 40.0, "temperature_within": 10.0}
    assert "no dwell decides" in forecast(unknown, rate).problem


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"dwell": 42.0}, "at least 45 s"),
        ({"server": ""}, "needs server"),
        ({"reference": "instrument"}, "needs instrument"),
        ({"temperature": 25.0, "thermometer": "t"}, "instead of a thermometer"),
        ({"holds_up": -1.0}, "holds_up"),
        ({"clock": "../x"}, "no real-time clock"),
    ],
)
def test_settings_that_show_nothing_are_refused(more: dict[str, Any], words: str) -> None:
    declaration = load_catalogue().declaration("clock.retention")
    assert declaration is not None
    with pytest.raises(ValueError, match=words):
        declaration.settings(**(SETTINGS | more))
