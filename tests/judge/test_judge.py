"""The judge as the engine uses it: a check and its takes in, one finding out."""

import json
import math
from dataclasses import replace

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from verifier.declare.suite import Check, Decision
from verifier.judge import SuiteJudge
from verifier.readings import Basis, Conditions, Contribution, Finding, Reading, Value, Verdict

SPEC = Contribution(basis=Basis.SPECIFICATION, u=0.9, note="meter data sheet")
STEP = Contribution.resolution(1.0)
AT_MOST_45 = {"reading": "rise", "at_most": 45, "unit": "K", "source": "maker"}


def check(*limits: dict[str, object], **keys: object) -> Check:
    return Check.model_validate({"id": "c", "title": "C", "probe": "p", "limits": limits, **keys})


def rise(value: Value, *lines: Contribution, unit: str = "K", name: str = "rise", exact: bool = False) -> Reading:
    return Reading(name=name, value=value, unit=unit, contributions=lines, exact=exact)


def judged(made: Check, *takes: list[Reading], decision: Decision | None = None) -> Finding:
    return SuiteJudge(decision or Decision())(made, takes)


@pytest.mark.parametrize("keys, told", [
    ({"at_most": 12, "unit": "mA"}, "40 mA, at most 12 mA"),
    ({"at_least": 2, "at_most": 12, "unit": "mA"}, "40 mA, limits 2 to 12 mA"),
    ({"nominal": 12, "tolerance": 0.1, "unit": "mA"}, "40 mA, limits 12.0 ± 0.1 mA"),
])  # fmt: skip
def test_limits_are_told_apart_from_the_value_before_them(keys: dict[str, object], told: str) -> None:
    made = check({"reading": "drawn", "source": "maker", **keys})
    assert judged(made, [rise(40.0, unit="mA", name="drawn", exact=True)]).reason == told


@pytest.mark.parametrize("value, verdict", [
    (39.5, Verdict.PASS), (43.2, Verdict.PASS), (43.3, Verdict.INCONCLUSIVE), (46.7, Verdict.INCONCLUSIVE),
    (46.8, Verdict.FAIL), (60.0, Verdict.FAIL),
])  # fmt: skip
def test_guarded_verdicts(value: float, verdict: Verdict) -> None:
    """45 K − 1.959964 · 0.9 K = 43.236 K and 46.764 K; k recomputed with scipy.stats."""
    finding = judged(check(AT_MOST_45), [rise(value, SPEC)])
    assert finding.verdict is verdict
    (held,) = finding.held
    assert (held.rule, held.distribution, held.u, held.unit, held.upper) == ("guarded", "normal", 0.9, "K", 45)
    assert held.accept_to == pytest.approx(43.236, abs=1e-3)
    assert held.guard_band == pytest.approx(1.764, abs=1e-3)
    assert held.margin == pytest.approx(45 - value)
    assert held.budget == (SPEC,)
    assert held.source == "maker"


def test_inconclusive_says_what_would_decide_it() -> None:
    finding = judged(check(AT_MOST_45), [rise(44.2, SPEC)])
    assert finding.reason == "44.2 K, at most 45 K: too close to the limit for u = 0.9 K, needs u below 0.4 K"
    needed = Contribution(basis=Basis.SPECIFICATION, u=0.4)
    assert judged(check(AT_MOST_45), [rise(44.2, needed)]).verdict is Verdict.PASS


def test_inconclusive_by_scatter_says_how_many_repeats_would_do() -> None:
    made = check(AT_MOST_45, repeat={"times": 3})
    finding = judged(made, *([rise(v)] for v in (44.0, 44.5, 43.5)))
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert finding.reason.endswith("or about 4 repeats")
    # Four takes with the same mean and s = 0.5 K: t(0.975; 3) · 0.5/2 = 0.796 K, recomputed with scipy.stats.
    half = 0.5 * math.sqrt(3) / 2
    enough = judged(check(AT_MOST_45, repeat={"times": 4}), *([rise(44 + d)] for d in (half, half, -half, -half)))
    assert enough.verdict is Verdict.PASS


@pytest.mark.parametrize("apart, told", [(0.5, 4), (1.5, 12), (3.0, 38)])
def test_so_many_repeats_would_do_and_one_fewer_would_not(apart: float, told: int) -> None:
    """t(0.975; n − 1) · s/√n reaches 1 K between n − 1 and n takes; recomputed with scipy.stats."""
    finding = judged(check(AT_MOST_45, repeat={"times": 3}), *([rise(44 + d)] for d in (0, apart, -apart)))
    assert finding.reason.endswith(f"or about {told} repeats")

    def guard(n: int) -> float:
        return float(scipy.stats.t(n - 1).ppf(0.975)) * apart / math.sqrt(n)

    assert guard(told) <= 1.0 < guard(told - 1)


def test_repeats_are_not_proposed_where_none_would_do() -> None:
    """The instrument itself does not shrink: 1.96 · 0.9 K is more than the kelvin that is left."""
    finding = judged(check(AT_MOST_45, repeat={"times": 3}), *([rise(v, SPEC)] for v in (44.0, 44.5, 43.5)))
    assert finding.verdict is Verdict.INCONCLUSIVE and "repeats" not in finding.reason


def test_an_instrument_too_coarse_for_the_limits() -> None:
    """(45 − 44)/2 / Φ⁻¹(0.9875) = 0.2231 K, recomputed with scipy.stats; told rounded down."""
    finding = judged(check({**AT_MOST_45, "at_least": 44}), [rise(44.5, SPEC)])
    assert finding.held[0].accept_none
    assert "this instrument cannot decide this limit (needs u below 0.22 K, has 0.9 K)" in finding.reason


def test_resolution_alone_falls_back_to_simple_and_says_so() -> None:
    for lines in ((STEP,), ()):
        (held,) = judged(check(AT_MOST_45), [rise(45.0, *lines)]).held
        assert (held.verdict, held.rule, held.repeatability_evaluated) == (Verdict.PASS, "simple", False)
        assert held.conformance is None
        assert "repeatability not evaluated" in held.reason


def test_an_authors_statement_brings_the_guarded_rule_back() -> None:
    made = check(
        AT_MOST_45, uncertainty=[{"reading": "rise", "u": 0.9, "unit": "K", "source": "study", "dof": 20}]
    )
    (held,) = judged(made, [rise(44.0, STEP)]).held
    assert (held.rule, held.distribution, held.verdict) == ("guarded", "t", Verdict.INCONCLUSIVE)
    assert held.u == pytest.approx(math.hypot(0.9, 1 / math.sqrt(12)))
    assert held.repeatability_evaluated


def test_simple_rule_does_not_use_the_uncertainty_but_shows_it() -> None:
    finding = judged(check(AT_MOST_45), [rise(44.9, SPEC)], decision=Decision(rule="simple"))  # type: ignore[arg-type]
    (held,) = finding.held
    assert (held.verdict, held.rule, held.u, held.conformance) == (Verdict.PASS, "simple", 0.9, None)
    assert held.interval == (pytest.approx(43.136, abs=1e-3), pytest.approx(46.664, abs=1e-3))


def test_equal_repeats_keep_their_resolution_and_are_guarded() -> None:
    """JCGM 100, F.2.2.1. Half a step can reach 45.5 K, so 45 K does not pass; 44.5 K does."""
    made = check(AT_MOST_45, repeat={"times": 3})
    at_limit = judged(made, *([rise(45.0, STEP)] for _ in range(3)))
    assert (at_limit.verdict, at_limit.held[0].distribution) == (Verdict.INCONCLUSIVE, "rectangular")
    assert judged(made, *([rise(44.5, STEP)] for _ in range(3))).verdict is Verdict.PASS
    assert at_limit.held[0].readings_pooled == 3


def test_worst_is_the_worst_for_each_limit() -> None:
    both = [{"reading": "rise", "at_least": 10, "unit": "K"}, {"reading": "rise", "at_most": 90, "unit": "K"}]
    made = check(*both, repeat={"times": 3, "pool": "worst"})
    low, high = judged(made, *([rise(v, SPEC)] for v in (50.0, 20.0, 80.0))).held
    assert (low.value, high.value) == (20.0, 80.0)


def test_counts_are_exact() -> None:
    made = check({"reading": "errors", "at_most": 0, "unit": "1"})
    (held,) = judged(made, [rise(0, unit="1", name="errors", exact=True)]).held
    assert (held.verdict, held.rule, held.u, held.repeatability_evaluated) == (Verdict.PASS, "exact", None, True)
    finding = judged(made, [rise(3, unit="1", name="errors", exact=True)])
    assert (finding.verdict, finding.reason) == (Verdict.FAIL, "3, at most 0")
    assert isinstance(finding.held[0].value, int)


def test_worst_of_counts_is_a_count() -> None:
    made = check({"reading": "errors", "at_most": 2, "unit": "1"}, repeat={"times": 3, "pool": "worst"})
    (held,) = judged(made, *([rise(n, unit="1", name="errors", exact=True)] for n in (0, 2, 0))).held
    assert (held.verdict, held.rule, held.value) == (Verdict.PASS, "exact", 2)


def test_one_wrong_text_among_repeats_fails() -> None:
    made = check({"reading": "level", "equals": "3.4.1"}, repeat={"times": 3})
    takes = ([rise(v, unit="", name="level")] for v in ("3.4.1", "3.4.0", "3.4.1"))
    finding = judged(made, *takes)
    assert (finding.verdict, finding.reason) == (Verdict.FAIL, "3.4.0, not 3.4.1")


def test_fasteners_are_counted_through_compute() -> None:
    made = check(
        {"reading": "missing", "equals": 0, "source": "removed + issued = fitted + discarded + left"},
        compute={"missing": "removed + issued - fitted - discarded - left"},
    )
    counts = {"removed": 6, "issued": 2, "fitted": 6, "discarded": 1, "left": 0}
    take = [rise(n, unit="1", name=name, exact=True) for name, n in counts.items()]
    assert judged(made, take).verdict is Verdict.FAIL
    take[-1] = rise(1, unit="1", name="left", exact=True)
    assert judged(made, take).verdict is Verdict.PASS


def test_difference_of_two_levels_is_judged_in_decibels() -> None:
    made = check(
        {"reading": "difference", "at_most": 8, "unit": "dB"},
        compute={"difference": "abs(chain_0 - chain_1)"},
        uncertainty=[{"reading": f"chain_{n}", "u": 1, "unit": "dB", "source": "study"} for n in (0, 1)],
    )
    take = [rise(v, unit="dBm", name=f"chain_{n}") for n, v in enumerate((-48.0, -67.0))]
    finding = judged(made, take)
    assert (finding.verdict, finding.held[0].unit) == (Verdict.FAIL, "dB")
    assert finding.held[0].u == pytest.approx(math.sqrt(2))


def test_a_limit_in_another_unit_converts_value_and_uncertainty() -> None:
    made = check({"reading": "current", "at_most": 0.3, "unit": "A"})
    line = Contribution(basis=Basis.SPECIFICATION, u=2.0)
    (held,) = judged(made, [rise(290.0, line, unit="mA", name="current")]).held
    assert (held.value, held.u, held.unit, held.verdict) == (0.29, 0.002, "A", Verdict.PASS)


def test_a_limit_in_watts_on_a_reading_in_dbm_is_judged_in_dbm() -> None:
    made = check({"reading": "power", "at_most": 1, "unit": "mW"})
    (held,) = judged(made, [rise(-3.0, SPEC, unit="dBm", name="power")]).held
    assert (held.unit, held.upper, held.verdict) == ("dBm", pytest.approx(0.0, abs=1e-9), Verdict.PASS)


@pytest.mark.parametrize("value, unit, why", [
    (math.nan, "K", "no finite number"), (math.inf, "K", "no finite number"), ("45", "", "a text"),
    (True, "", "yes or no"), (45.0, "V", "cannot be converted"), (45.0, "florin", "not a unit"),
])  # fmt: skip
def test_nonsense_is_the_benchs_fault(value: Value, unit: str, why: str) -> None:
    finding = judged(check(AT_MOST_45), [rise(value, SPEC, unit=unit)])
    assert finding.verdict is Verdict.BENCH_ERROR
    assert why in finding.reason
    assert json.loads(json.dumps([h.value for h in finding.held], allow_nan=False)) in ([], [None])


def test_an_optional_reading_that_is_missing_is_not_run() -> None:
    finding = judged(check(AT_MOST_45), [rise(1.0, name="other")])
    assert (finding.verdict, finding.reason) == (Verdict.NOT_RUN, "the hardware does not state rise")
    several = judged(check(AT_MOST_45, repeat={"times": 2}), [rise(1.0)], [])
    assert several.verdict is Verdict.BENCH_ERROR
    assert "only 1 of 2" in several.reason


def test_a_computed_reading_without_its_inputs_is_not_run() -> None:
    made = check({"reading": "d", "at_most": 1, "unit": "K"}, compute={"d": "rise - other"})
    assert judged(made, [rise(1.0)]).verdict is Verdict.NOT_RUN


def test_no_bench_error_erases_a_fail() -> None:
    made = check(AT_MOST_45, {"reading": "level", "at_most": 1, "unit": "1"})
    finding = judged(made, [rise(60.0, SPEC), rise("?", unit="", name="level")])
    assert finding.verdict is Verdict.FAIL
    assert [h.verdict for h in finding.held] == [Verdict.FAIL, Verdict.BENCH_ERROR]
    assert finding.reason == "rise: 60 K, at most 45 K"


def test_without_limits_there_is_no_verdict() -> None:
    assert judged(check(), [rise(1.0)]).verdict is None


def test_without_takes_nothing_passes() -> None:
    assert judged(check(AT_MOST_45)).verdict is Verdict.BENCH_ERROR


values = st.one_of(
    st.floats(), st.integers(), st.booleans(), st.text(max_size=5), st.floats(-100, 100), st.integers(-100, 100)
)
lines = st.builds(
    lambda u, basis, dof: Contribution(basis=basis, u=u, dof=dof),
    st.floats(0, 100),
    st.sampled_from(Basis),
    st.none() | st.floats(1, 50),
) | st.floats(0, 10).map(Contribution.resolution)
readings = st.builds(
    lambda value, unit, budget, exact: Reading(
        name="rise", value=value, unit=unit, contributions=tuple(budget), exact=exact
    ),
    values,
    st.sampled_from(["K", "Cel", "mK", "V", "", "1", "?"]),
    st.lists(lines, max_size=3),
    st.booleans(),
)
forms = st.sampled_from([
    {"at_most": 45, "unit": "K"}, {"at_least": -5, "at_most": 5, "unit": "K"}, {"nominal": 1, "tolerance": 0.1},
    {"equals": 2}, {"one_of": ["a", 2]}, {"matches": "[a-z]*"}, {"is": True}, {"at_least": 1, "unit": "Cel"},
])  # fmt: skip


@given(
    forms,
    st.lists(st.lists(readings, max_size=2), max_size=3),
    st.sampled_from(["mean", "median", "worst"]),
    st.sampled_from(["guarded", "simple"]),
)
def test_whatever_is_read_there_is_one_finding_fit_for_the_record(
    form: dict[str, object], takes: list[list[Reading]], pool: str, rule: str
) -> None:
    made = check({"reading": "rise", **form}, repeat={"times": 3, "pool": pool})
    finding = judged(made, *takes, decision=Decision.model_validate({"rule": rule}))
    assert finding.verdict is not None
    assert finding.reason
    for held in finding.held:
        figures = [
            held.lower,
            held.upper,
            held.u,
            held.conformance,
            held.margin,
            held.guard_band,
            *(held.interval or ()),
        ]
        assert all(x is None or math.isfinite(x) for x in figures)
        if held.verdict is Verdict.PASS and held.margin is not None:
            assert held.margin >= 0


@pytest.mark.parametrize(
    "value, limit",
    [(2, {"at_most": 3, "unit": "1"}), (2, {"equals": 2}), ("full", {"equals": "full"}), (True, {"is": True})],
)
def test_what_is_in_doubt_decides_nothing_whatever_kind_of_value_it_is(
    value: Value, limit: dict[str, object]
) -> None:
    made = check({"reading": "rise", **limit})
    plain = Reading(name="rise", value=value, unit="1" if type(value) is int else "", exact=True)
    assert judged(made, [plain]).verdict is Verdict.PASS
    doubtful = replace(plain, conditions=Conditions(doubt="the load did not hold", remark="stopped after 4 min"))
    finding = judged(made, [doubtful])
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert "it decides nothing: the load did not hold" in finding.reason
    assert finding.held[0].remark == "stopped after 4 min"
