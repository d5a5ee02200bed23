"""thermal.step on simulated units: sound and faulty ones, and benches on which something spoils the heating."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import anyio
import pytest

from verifier.declare.suite import Check, Decision
from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.heating import looks
from verifier.gather.simulated import Description, SimulatedHost, SimulatedTaker, load_description
from verifier.gather.simulated.description import shipped_unit
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.gather.workers import run_probe
from verifier.judge import DecidedEarly, SuiteJudge
from verifier.readings import Basis, Contribution, Finding, Reading, Verdict
from verifier.steps import Ask, Consult, Cue, Look

SETTINGS = {"sensor": "processor", "power": 10.0, "power_half_width": 0.3, "slow": (580, 700), "interval": 1.0}
JUDGE = SuiteJudge(Decision())


def check(reading: str = "rise", at_most: float = 45.0, unit: str = "K") -> Check:
    limits = [{"reading": reading, "at_most": at_most, "unit": unit, "source": "test"}]
    return Check.model_validate({"id": "heat", "title": "Heat", "probe": "thermal.step", "limits": limits})


def unit(**thermal: float) -> Description:
    """The Quayside with an exact shell, and whatever else is to be different."""
    described = load_description(shipped_unit("marrowby-quayside") or Path())
    assert described.thermal is not None
    return described.model_copy(
        update={"thermal": described.thermal.model_copy(update={"spread": 0.0, **thermal})}
    )


@dataclass
class Heating:
    """What came of one: readings, finding, what was said on the way, and how the unit was left."""

    readings: dict[str, Reading] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    looked: list[Look] = field(default_factory=list)
    finding: Finding | None = None
    watts: float = 0.0

    def value(self, name: str) -> float:
        return float(self.readings[name].value)


def heat(
    made: Description | None = None,
    *,
    limit: Check | None = None,
    seed: int = 1,
    answers: list[str] | None = None,
    thinks: float = 0.0,
    meddle: Callable[[SimulatedHost, float], None] = lambda host, at: None,
    shift: Callable[[float], float] = lambda at: 0.0,
    instruments: Callable[[Consult, float], Reading] | None = None,
    **settings: Any,
) -> Heating:
    """One take, judged as a run would: the stop rule is the judge's. `meddle` is called before each sample, to
    which `shift` is added; each question is answered after `thinks` seconds."""
    clocks, came, wanted = VirtualClocks(seed), Heating(), limit or check()
    answers = answers or ["23.0"]

    async def main() -> None:
        host = SimulatedHost(made or unit(), seed, clocks)
        assert host.sensor is not None
        told = host.sensor.reading

        def reading(at: float) -> float:
            meddle(host, at)
            return told(at) + shift(at)

        host.sensor.reading = reading  # type: ignore[method-assign]
        enough = DecidedEarly(JUDGE)
        try:
            async for step in run_probe(load_catalogue().probe("thermal.step"), host, {**SETTINGS, **settings}):
                match step:
                    case Reading():
                        came.readings[step.name] = step
                    case Cue():
                        came.said.append(step.say)
                    case Ask():
                        came.said.append(step.say)
                        await clocks.sleep(thinks)
                        step.answer = answers.pop(0) if len(answers) > 1 else answers[0]
                    case Consult():
                        assert instruments is not None
                        step.given = instruments(step, clocks.boot())
                    case Look():
                        step.enough = enough(wanted, step.readings)
                        came.looked.append(step)
        finally:
            came.watts = host.sensor.power

    anyio.run(main, backend_options=backend_options(clocks))
    came.finding = JUDGE(wanted, [tuple(came.readings.values())])
    return came


def verdict(came: Heating) -> Verdict | None:
    assert came.finding is not None
    return came.finding.verdict


# ---- sound and faulty units --------------------------------------------------------------------------


def test_a_sound_unit_passes_long_before_it_has_settled() -> None:
    """World: 39.5 K settled at 10 W and 23 °C, time constants about 22 s and 640 s."""
    came = heat()
    assert verdict(came) is Verdict.PASS
    rise, u = came.value("rise"), max(c.u for c in came.readings["rise"].contributions)
    assert abs(rise - 39.5) < 3 * u
    assert came.value("heated_for") < 0.35 * 2700
    assert came.value("time_constant_1") == pytest.approx(22, rel=0.25)
    assert came.value("resistance") == pytest.approx(rise / 10)
    assert came.watts == 5.9, "the load is off again"


@pytest.mark.parametrize(("name", "sheet", "rise"), [("missing", 3.45, 70.5), ("half contact", 1.20, 48.0)])
def test_a_bad_interface_fails(name: str, sheet: float, rise: float) -> None:
    """World: sheet missing 3.45 K/W (+31 K), at half contact 1.20 K/W (+8.5 K)."""
    came = heat(unit(sheet_resistance=sheet))
    assert verdict(came) is Verdict.FAIL
    interval = 2.8 * math.hypot(*(c.u for c in came.readings["rise"].contributions))
    assert abs(came.value("rise") - rise) < interval


@pytest.mark.parametrize(("sheet", "fast", "expected"), [(0.35, 22, Verdict.PASS), (3.45, 76, Verdict.FAIL)])
def test_the_first_time_constant_tells_the_interface_whatever_the_air(
    sheet: float, fast: float, expected: Verdict
) -> None:
    """World: the first time constant rises from about 22 to about 76 s; limit 29 s."""
    limit = check("time_constant_1", 29.0, "s")
    came = heat(unit(sheet_resistance=sheet), limit=limit, interval=0.25, answers=["15"])
    assert came.value("time_constant_1") == pytest.approx(fast, rel=0.15)
    assert verdict(came) is expected


def test_near_the_limit_it_takes_its_whole_time_and_decides_nothing() -> None:
    came = heat(limit=check(at_most=39.6))
    assert verdict(came) is Verdict.INCONCLUSIVE
    assert len(came.looked) == looks.LOOKS
    assert came.value("heated_for") == pytest.approx(2700, abs=2)
    assert came.value("rise") == pytest.approx(39.5, abs=0.6)
    assert came.value("time_constant_2") == pytest.approx(640, rel=0.05)
    assert came.readings["terms"].value == 2


def test_the_reading_says_when_it_was_stopped_and_with_what_interval() -> None:
    came = heat()
    said = came.readings["rise"].conditions.remark
    assert said.startswith(f"looked at {len(came.looked)} of 10 times, ")
    assert f"{came.value('heated_for'):.0f} s of at most 2700 s" in said
    assert "between" in said
    assert came.readings["rise"].conditions.looks == 10
    (held,) = came.finding.held if came.finding else ()
    assert held.remark == said


def test_never_before_the_stated_minimum() -> None:
    came = heat(limit=check(at_most=400.0), minimum=600.0)
    assert len(came.looked) == 1
    assert came.value("heated_for") == pytest.approx(600, abs=2)


def test_ranges_that_good_units_taught_are_kept_with_their_source() -> None:
    notes = [c.note for c in heat(known_from="30 good units, study 2026-08").readings["rise"].contributions]
    assert "30 good units, study 2026-08" in notes[0]
    assert "widened" in notes[0]


def test_samples_and_fit_are_kept_as_columns() -> None:
    series = heat(interval=2.0).readings["rise"].series
    assert series is not None
    assert (series.t0, series.dt) == (0.0, 2.0)
    assert len(series.values) == len(series.model) > 90
    off = [a - b for a, b in zip(series.values, series.model, strict=True)]
    assert max(map(abs, off)) < 2


def test_the_budget_of_the_resistance_has_rise_air_and_power() -> None:
    """theta = rise/P: u² = (u(rise)/P)² + (rise u(P)/P²)² (JCGM 100, 5.1.2)."""
    came = heat()
    lines = came.readings["resistance"].contributions
    for word in ("fit", "step", "thermometer", "power"):
        assert any(word in line.note for line in lines), word
    (power,) = (line for line in lines if line.note.startswith("power"))
    assert power.u == pytest.approx(came.value("rise") / 100 * 0.3 / 3**0.5)


# ---- the bench --------------------------------------------------------------------------------------


def test_the_technician_is_told_to_stay_and_asked_for_the_air_before_and_after() -> None:
    came = heat(answers=["23", "23,5"])
    assert "stay with it" in came.said[0]
    assert "free" in came.said[0]
    assert sum("thermometer" in said for said in came.said) == 2
    assert came.value("air") == 23.5
    assert not any("stay" in said for said in heat(attended=False).said)


def test_air_that_warms_is_subtracted_as_the_unit_feels_it() -> None:
    """4 K in 45 min; the unit follows air by its slow time constant, tau dx/dt = a - x. Unsubtracted the rise
    would be 3 K too large, and subtracted as it is at each moment 1 K too small."""
    rate, lag = 4.0 / 2700, 640.0

    def thermometer(wish: Consult, now: float) -> Reading:
        assert (wish.probe, wish.instrument) == ("instrument.temperature", "air")
        line = Contribution.half_width(0.1, basis=Basis.SPECIFICATION)
        return Reading(name="value", value=23.0 + rate * now, unit="Cel", origin="air", contributions=(line,))

    def felt(at: float) -> float:
        return rate * (at - lag * (1 - math.exp(-at / lag)))

    fine = unit(step=0.1)
    exact = heat(fine, limit=check(at_most=39.5)).value("rise")
    came = heat(fine, limit=check(at_most=39.5), thermometer="air", shift=felt, instruments=thermometer)
    assert came.value("rise") == pytest.approx(exact, abs=0.3)
    assert came.value("air") == pytest.approx(27.0, abs=0.1)
    assert felt(2700) > 2.9


def test_power_by_a_meter() -> None:
    def meter(wish: Consult, now: float) -> Reading:
        line = Contribution.half_width(0.05, basis=Basis.SPECIFICATION, note="meter")
        return Reading(name="value", value=10.2, unit="W", origin="bench", contributions=(line,))

    came = heat(meter="watts", power=0.0, instruments=meter)
    assert came.value("power") == pytest.approx(10.2)
    assert came.value("resistance") == pytest.approx(came.value("rise") / 10.2)


def test_a_meter_that_shows_nothing_leaves_the_resistance_open() -> None:
    came = heat(meter="watts", power=0.0, instruments=lambda wish, now: Reading(name="value", value=0.0, unit="W"))
    assert came.value("power") == 0
    assert "resistance" not in came.readings
    assert verdict(came) is Verdict.PASS


def test_power_by_the_processors_own_counter_where_nothing_else_is_said() -> None:
    came = heat(power=0.0)
    assert came.value("power") == pytest.approx(10.0, rel=1e-3)
    assert came.readings["power"].origin == "energy counter of the processor"
    assert came.value("busy") == pytest.approx(100, abs=0.5)


def drops(power: float, after: float = 150.0) -> Callable[[SimulatedHost, float], None]:
    def meddle(host: SimulatedHost, at: float) -> None:
        if at > after and host.sensor is not None and host.sensor.power > power:
            host.load._settle()
            host.sensor.power = power

    return meddle


def test_a_load_that_does_not_hold_decides_nothing_and_says_why() -> None:
    came = heat(meddle=drops(7.0))
    assert verdict(came) is Verdict.INCONCLUSIVE
    assert came.finding is not None and "did not hold" in came.finding.reason
    assert len(came.looked) == 1, "nothing is to be learned by heating on"


def test_a_heating_that_is_spoiled_is_not_gone_on_with_until_the_next_look() -> None:
    """Looks at 200, 267, 357 s; the answer would come at the third."""
    came = heat(limit=check(at_most=46.0), slow=(400, 1000), meddle=drops(5.0, after=280.0))
    assert verdict(came) is Verdict.INCONCLUSIVE
    assert 280 < came.value("heated_for") < 300


def test_a_fan_that_starts_in_the_middle_is_seen_in_the_curve() -> None:
    """The shell gives off its heat half again as well from 600 s on."""

    def fan(host: SimulatedHost, at: float) -> None:
        if at > 600 and host.sensor is not None:
            host.sensor.ladder._c = 1.5 / (2.70 * 217.0)
            host.sensor.ladder._r2 = 2.70 / 1.5

    came = heat(limit=check(at_most=38.0), meddle=fan)
    assert verdict(came) is Verdict.INCONCLUSIVE
    assert came.finding is not None and "no two exponentials" in came.finding.reason


def test_a_unit_with_other_time_constants_than_the_suite_says_is_in_doubt() -> None:
    came = heat(unit(shell_capacity=500.0), limit=check(at_most=45.0), longest=5400.0, minimum=2400.0)
    assert verdict(came) is Verdict.INCONCLUSIVE
    assert came.finding is not None and "lies outside the ranges" in came.finding.reason


def test_the_ceiling_ends_the_load_at_once_and_is_a_fail() -> None:
    """ "At least": 70.5 K over 23 °C would be 93.5 °C; stopped at 80 °C."""
    came = heat(unit(sheet_resistance=3.45), ceiling=80.0)
    assert verdict(came) is Verdict.FAIL
    assert came.finding is not None and came.finding.reason.startswith("at least ")
    assert came.value("hottest") == 80.0
    assert came.value("rise") == pytest.approx(57, abs=1)
    assert came.watts == 5.9
    assert "ceiling of 80 °C" in came.readings["rise"].conditions.remark


def test_a_ceiling_reached_under_a_load_that_did_not_hold_decides_nothing() -> None:
    def more(host: SimulatedHost, at: float) -> None:
        if at > 60 and host.sensor is not None and host.sensor.power == 10.0:
            host.load._settle()
            host.sensor.power = 25.0

    came = heat(meddle=more, ceiling=80.0)
    assert verdict(came) is Verdict.INCONCLUSIVE


def test_cooling_is_a_second_estimate() -> None:
    came = heat(limit=check(at_most=39.6), cooling=2400.0)
    assert came.value("rise_by_cooling") == pytest.approx(came.value("rise"), abs=1.5)


def test_cooling_that_is_too_short_to_tell_says_so() -> None:
    came = heat(limit=check(at_most=60.0), cooling=4.0)
    assert verdict(came) is Verdict.PASS and "rise_by_cooling" not in came.readings
    assert came.readings["rise"].conditions.remark.endswith("cooling was too short to tell that too")
    assert "cooling" not in heat(limit=check(at_most=60.0)).readings["rise"].conditions.remark


def test_cooling_waits_for_nobody() -> None:
    """Who goes for a coffee before the second look at the thermometer costs neither heating nor cooling."""
    came = heat(limit=check(at_most=60.0), cooling=1200.0, thinks=1500.0)
    assert verdict(came) is Verdict.PASS
    assert came.value("rise_by_cooling") == pytest.approx(came.value("rise"), abs=4)
    hot = next(said for said in came.said if "still hot" in said)
    assert "20 min" in hot and came.said.index(hot) < len(came.said) - 1


def test_cooling_that_tells_another_rise_puts_both_in_doubt() -> None:
    """As where the unit was put to sleep afterwards, not left as idle as it was before."""

    def asleep(host: SimulatedHost, at: float) -> None:
        if host.sensor is not None and host.sensor.power == 5.9 and at > 150:
            host.load._settle()
            host.sensor.power = 0.5

    came = heat(limit=check(at_most=60.0), cooling=2400.0, meddle=asleep)
    assert verdict(came) is Verdict.INCONCLUSIVE
    assert came.finding is not None and "cooling one of" in came.finding.reason


# ---- what cannot be ------------------------------------------------------------------------------


def test_the_load_is_off_however_the_take_ends() -> None:
    """Ended by its deadline in the middle, as a run does it."""
    clocks = VirtualClocks(1)

    async def main() -> float:
        host, probes = SimulatedHost(unit(), 1, clocks), load_catalogue()
        declaration = probes.declaration("thermal.step")
        assert declaration is not None and host.sensor is not None
        taken = SimulatedTaker(host, probes).take(
            "thermal.step", {**SETTINGS, "attended": False}, "simulated", declaration=declaration, deadline=100.0
        )
        with pytest.raises(BenchFault, match="not done"):
            async for step in taken:
                if isinstance(step, Ask):
                    step.answer = "23"
        return host.sensor.power

    assert anyio.run(main, backend_options=backend_options(clocks)) == 5.9


def test_a_sensor_that_falls_silent_is_the_benchs_fault_and_the_load_ends() -> None:
    def silent(host: SimulatedHost, at: float) -> None:
        if at > 100:
            host.files._contents["/sys/class/thermal/thermal_zone0/temp"] = "\n"

    with pytest.raises(BenchFault, match="gave no temperature"):
        heat(meddle=silent)


def test_without_a_sensor_or_an_answer_it_is_not_made() -> None:
    with pytest.raises(Absent, match="called 'board'"):
        heat(sensor="board")
    with pytest.raises(NotPossible, match="how warm the air is"):
        heat(answers=["warm"])


@pytest.mark.parametrize(
    "wrong",
    [
        {"fast": (8, 500)},
        {"slow": (100, 700)},
        {"fast": (30, 500), "slow": (400, 700)},
        {"minimum": 50.0},
        {"minimum": 3000.0},
        {"longest": 9000.0},
        {"interval": 5.0},
        {"ceiling": 200.0},
        {"power": -1.0},
        {"air_half_width": -0.1},
    ],
)
def test_settings_that_cannot_be_meant_are_refused(wrong: dict[str, Any]) -> None:
    from verifier.gather.probes.thermal_step import Settings

    with pytest.raises(ValueError, match=" "):
        Settings(**wrong)
