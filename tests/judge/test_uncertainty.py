"""Budgets against the GUM's end-gauge example and against independent arithmetic."""

import csv
import math
from pathlib import Path

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from verifier.declare.suite import Check, Statement
from verifier.judge.uncertainty import combine, effective_dof, in_unit, stated
from verifier.judge.values import Measured, Unusable, measured, pooled
from verifier.readings import Basis, Contribution, Reading, Shape

H1 = Path(__file__).parent.parent / "reference" / "statistics" / "gum_h1_budget.csv"


def spec(u: float, dof: float | None = None, note: str = "") -> Contribution:
    return Contribution(basis=Basis.SPECIFICATION, u=u, dof=dof, note=note)


def check(**keys: object) -> Check:
    return Check.model_validate({"id": "c", "title": "C", "probe": "p", **keys})


def reading(value: float, unit: str = "V", *lines: Contribution, name: str = "a", exact: bool = False) -> Reading:
    return Reading(name=name, value=value, unit=unit, contributions=lines, exact=exact)


def test_gum_h1_end_gauge() -> None:
    """JCGM 100:2008, H.1.4 to H.1.6: u_c = 32 nm, ν_eff = 16 (16.7), t99(16) = 2.92, U99 = 93 nm."""
    rows = list(csv.DictReader(H1.read_text("utf-8").splitlines()))
    lines = [
        spec(float(row["contribution_nm"]), None if row["dof"] == "inf" else float(row["dof"])) for row in rows
    ]
    combined = combine(lines)
    assert combined.u is not None and combined.dof is not None
    assert round(combined.u) == 32
    assert combined.dof == pytest.approx(16.7, abs=0.1)
    assert math.floor(combined.dof) == 16
    assert combined.distribution.kind == "t"
    assert round(2.92 * 32) == 93
    t99 = scipy.stats.t(math.floor(combined.dof)).ppf(0.995)
    assert round(t99, 2) == 2.92
    assert round(t99 * combined.u) in (92, 93)  # the GUM rounds u_c to 32 nm before it multiplies


def test_gum_h1_by_compute() -> None:
    """JCGM 100:2008, H.1.3: l = l_S + d − l_S (δα θ + α_S δθ), led through `compute` to the same u_c."""
    l_s, alpha, theta = 50.000623, 11.5e-6, -0.1
    lines = {
        "ls": (l_s, "mm", spec(25e-6, 18)),
        "d": (215e-6, "mm", spec(9.7e-6, 25.6)),
        "dalpha": (0.0, "1/K", spec(0.58e-6, 50)),
        "theta": (theta, "K", spec(0.41)),
        "alpha": (alpha, "1/K", spec(1.2e-6)),
        "dtheta": (0.0, "K", spec(0.029, 2)),
    }
    take = [reading(v, unit, line, name=name) for name, (v, unit, line) in lines.items()]
    found = measured(check(compute={"l": "ls + d - ls * (dalpha * theta + alpha * dtheta)"}), take)["l"]
    combined = combine(found.budget)
    assert found.value == pytest.approx(50.000838, abs=5e-7)
    assert found.unit == "mm"
    assert combined.u is not None and combined.dof is not None
    assert round(combined.u * 1e6) == 32
    assert combined.dof == pytest.approx(16.7, abs=0.1)
    by_name = {line.note: line.u * 1e6 for line in found.budget}
    assert by_name["dtheta"] == pytest.approx(16.6, abs=0.1)  # table H.1
    assert by_name["dalpha"] == pytest.approx(2.9, abs=0.05)


@given(st.lists(st.tuples(st.floats(1e-9, 1e3), st.none() | st.floats(1, 100)), min_size=1, max_size=6))
def test_welch_satterthwaite_stays_between_its_bounds(parts: list[tuple[float, float | None]]) -> None:
    """JCGM 100, G.4.1: ν_eff is at most Σ ν_i, and at least the smallest of them."""
    dof = effective_dof([spec(u, n) for u, n in parts])
    finite = [n for _, n in parts if n is not None]
    if not finite:
        assert dof is None
    elif dof is not None:
        assert dof >= min(finite) * (1 - 1e-9)
        if len(finite) == len(parts):
            assert dof <= sum(finite) * (1 + 1e-9)


def test_degrees_of_freedom_survive_tiny_units() -> None:
    """The fourth power of 1e-100 is no number any more; the ratio is."""
    assert effective_dof([spec(1e-100, 4), spec(1e-100, 4)]) == pytest.approx(8.0)


def test_rectangular_dominates_only_when_larger_than_all_others() -> None:
    wide = Contribution.half_width(1.0, basis=Basis.SPECIFICATION)
    assert combine([wide]).distribution.kind == "rectangular"
    assert combine([wide, spec(0.3)]).distribution.kind == "rectangular-normal"
    assert combine([wide, spec(0.6)]).distribution.kind == "normal"
    assert combine([wide, spec(0.6, 5)]).distribution.kind == "t"
    assert combine([wide, wide]).distribution.kind == "normal"
    assert combine([]).u is None
    assert (combine([spec(0.0)]).u, combine([spec(0.0)]).distribution.kind) == (0.0, "none")


def test_a_half_width_comes_back_as_the_bound_of_the_distribution() -> None:
    """JCGM 100, 4.3.7: nothing lies beyond a rectangular half-width, alone; with a normal part a little does."""
    wide = Contribution.half_width(1.5, basis=Basis.SPECIFICATION)
    alone, beside = combine([wide]).distribution, combine([wide, spec(0.2)]).distribution
    assert alone.half_width == beside.half_width == pytest.approx(1.5)
    assert (alone.cdf(1.5001), alone.cdf(-1.5001)) == (1.0, 0.0)
    assert 0.9 < beside.cdf(1.5) < 1.0


def test_only_resolution_means_repeatability_was_not_evaluated() -> None:
    step = Contribution.resolution(1.0)
    assert step.u == pytest.approx(1 / math.sqrt(12))  # JCGM 100, F.2.2.1
    assert not combine([step]).repeatability_evaluated
    assert not combine([]).repeatability_evaluated
    assert combine([step, spec(0.1)]).repeatability_evaluated


def test_statements_are_converted_and_keep_their_kind() -> None:
    statements = [
        Statement(reading="a", u=2.0, unit="mV", source="study", dof=9, basis="study"),
        Statement(reading="a", half_width=3.0, unit="mV", source="data sheet"),
        Statement(reading="b", u=1.0, source="other"),
    ]
    normal, flat = stated(statements, "a", "V")
    assert (normal.u, normal.dof, normal.basis, normal.shape) == (0.002, 9, Basis.STUDY, Shape.NORMAL)
    assert flat.u == pytest.approx(0.003 / math.sqrt(3))
    assert (flat.shape, flat.note) == (Shape.RECTANGULAR, "data sheet")
    with pytest.raises(ValueError, match="cannot be converted"):
        stated([Statement(reading="a", u=1.0, unit="A", source="x")], "a", "V")


def test_resolution_stays_beside_a_statement() -> None:
    stated_check = check(uncertainty=[{"reading": "a", "u": 0.4, "unit": "K", "source": "study"}])
    found = measured(stated_check, [reading(40.0, "Cel", Contribution.resolution(1.0))])["a"]
    assert combine(found.budget).u == pytest.approx(math.hypot(0.4, 1 / math.sqrt(12)))


def test_contributions_in_celsius_become_kelvin_without_offset() -> None:
    assert in_unit([spec(0.5)], "Cel", "K")[0].u == 0.5
    assert in_unit([spec(0.5)], "V", "mV")[0].u == 500.0


def test_mean_of_repeats() -> None:
    """JCGM 100, 4.2.3 eq. 5: u = s/√n, ν = n − 1; s recomputed with scipy.stats.sem."""
    values = [44.0, 44.5, 43.5, 44.2]
    one = pooled(takes_of(values), "mean")
    scatter = one.budget[-1]
    assert one.value == pytest.approx(44.05)
    assert scatter.u == pytest.approx(scipy.stats.sem(values))
    assert (scatter.dof, scatter.basis, one.takes) == (3, Basis.REPEATS, 4)


def test_median_and_worst_of_repeats() -> None:
    values = [44.0, 44.5, 43.5, 49.0]
    s = scipy.stats.tstd(values)
    median = pooled(takes_of(values), "median")
    assert median.value == 44.25
    # Large-sample standard error of a normal median, from memory.
    assert median.budget[-1].u == pytest.approx(1.2533 * s / 2, rel=1e-3)
    worst = pooled(takes_of(values), "worst", worst=3)
    assert worst.value == 49.0
    assert worst.budget[-1].u == pytest.approx(s)  # JCGM 100, 4.2.2: the scatter of a single reading


def test_repeats_that_never_differ_leave_the_resolution() -> None:
    """JCGM 100, F.2.2.1: the same indication every time does not make the uncertainty zero."""
    one = pooled(takes_of([0.1, 0.1, 0.1], Contribution.resolution(0.1)), "mean")
    assert one.value == 0.1
    assert combine(one.budget).u == pytest.approx(0.1 / math.sqrt(12))
    assert combine(one.budget).repeatability_evaluated


def test_a_specification_does_not_shrink_with_repeats() -> None:
    one = pooled(takes_of([1.0, 1.0, 1.0, 1.0], spec(0.2)), "mean")
    assert combine(one.budget).u == pytest.approx(0.2)


def test_takes_in_different_units_pool_in_the_first() -> None:
    takes = [reading(1.0, "V"), reading(1002.0, "mV")]
    one = pooled([measured(check(), [r])["a"] for r in takes], "mean")
    assert (one.value, one.unit) == (pytest.approx(1.001), "V")


def levels_of(values: list[float], unit: str = "dBm") -> list[Measured]:
    return [measured(check(), [reading(v, unit)])["a"] for v in values]


def test_levels_are_averaged_as_powers() -> None:
    """−40 dBm is 0.0001 mW (definition); with −50 dBm the mean is 0.000055 mW, not the −45 dBm between them."""
    one = pooled(levels_of([-40.0, -50.0]), "mean")
    assert one.value == pytest.approx(10 * math.log10(0.000055)) == pytest.approx(-42.596, abs=5e-4)
    powers = [0.0001, 0.00001]
    relative = scipy.stats.sem(powers) / 0.000055
    assert one.budget[-1].u == pytest.approx(10 / math.log(10) * relative)  # JCGM 100, 5.1.2 eq. 10
    # The median picks takes: no scale is better than another.
    assert pooled(levels_of([-40.0, -50.0, -41.0]), "median").value == -41.0
    # 1 V and 10 V: the mean of the squares is 50.5 V².
    assert pooled(levels_of([0.0, 20.0], "dBV"), "mean").value == pytest.approx(10 * math.log10(50.5))


@given(st.lists(st.floats(-120, 20), min_size=2, max_size=20), st.floats(-60, 60))
def test_a_mean_level_lies_above_that_of_the_decibels_and_moves_with_all_of_them(
    levels: list[float], shift: float
) -> None:
    one, moved = pooled(levels_of(levels), "mean"), pooled(levels_of([v + shift for v in levels]), "mean")
    assert sum(levels) / len(levels) - 1e-9 <= one.number <= max(levels) + 1e-9
    assert moved.number == pytest.approx(one.number + shift, abs=1e-6)
    assert moved.budget[-1].u == pytest.approx(one.budget[-1].u, abs=1e-6)


def test_small_scatter_of_levels_is_that_of_their_decibels() -> None:
    values = [-60.0, -60.1, -59.9, -60.05]
    one = pooled(levels_of(values), "mean")
    assert one.number == pytest.approx(sum(values) / 4, abs=0.002)
    assert one.budget[-1].u == pytest.approx(scipy.stats.sem(values), rel=0.02)


def takes_of(values: list[float], *lines: Contribution) -> list[Measured]:
    return [measured(check(), [reading(v, "K", *lines)])["a"] for v in values]


@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(0.01, 5), st.floats(0.01, 5))
def test_difference_and_product_propagate_as_by_hand(a: float, b: float, ua: float, ub: float) -> None:
    """JCGM 100, 5.1.2 eq. 10 with 5.1.3: written out for a − b and a·b."""
    take = [reading(a, "V", spec(ua), name="a"), reading(b, "A", spec(ub), name="b")]
    product = measured(check(compute={"p": "a * b"}), take)["p"]
    expected = math.hypot(b * ua, a * ub)
    assert (combine(product.budget).u or 0.0) == pytest.approx(expected, abs=1e-9)
    take = [reading(a, "V", spec(ua), name="a"), reading(b, "V", spec(ub), name="b")]
    assert combine(measured(check(compute={"d": "a - b"}), take)["d"].budget).u == pytest.approx(
        math.hypot(ua, ub)
    )


def test_an_input_that_enters_twice_counts_with_the_sum_of_its_sensitivities() -> None:
    """a − (a − b) is b, whatever a is: a's uncertainty must cancel, through two computed readings."""
    take = [reading(5.0, "V", spec(1.0), name="a"), reading(2.0, "V", spec(0.25), name="b")]
    found = measured(check(compute={"d": "a - b", "e": "a - d"}), take)["e"]
    assert combine(found.budget).u == pytest.approx(0.25)


def test_a_statement_about_a_computed_reading_is_carried_on() -> None:
    computing = check(
        compute={"d": "a - b", "e": "2 * d"}, uncertainty=[{"reading": "d", "u": 0.5, "unit": "V", "source": "x"}]
    )
    take = [reading(5.0, "V", name="a"), reading(2.0, "V", name="b")]
    assert combine(measured(computing, take)["d"].budget).u == pytest.approx(0.5)
    carried = measured(computing, take)["e"].budget
    assert combine(carried).u == pytest.approx(1.0)
    assert [line.note for line in carried] == ["d: x"]


def test_a_contribution_without_a_note_is_carried_under_its_reading_s_name() -> None:
    take = [reading(5.0, "V", spec(0.1, note="data sheet"), name="a"), reading(2.0, "V", spec(0.2), name="b")]
    budget = measured(check(compute={"d": "a - b"}), take)["d"].budget
    assert [line.note for line in budget] == ["a: data sheet", "b"]


def test_exact_counts_compute_to_an_exact_count() -> None:
    names = {"removed": 6, "issued": 1, "fitted": 6, "discarded": 1, "left": 0}
    take = [reading(n, "1", name=name, exact=True) for name, n in names.items()]
    one = measured(check(compute={"rest": "removed + issued - fitted - discarded - left"}), take)["rest"]
    assert (one.value, one.exact, type(one.value)) == (0, True, int)


@pytest.mark.parametrize("value, unit, why", [
    ("4", "", "a text"), (True, "", "yes or no"), (float("nan"), "V", "finite"), (10**400, "1", "finite"),
    (1.0, "florin", "not a unit"),
])  # fmt: skip
def test_what_cannot_be_computed_is_refused_in_words(value: object, unit: str, why: str) -> None:
    take = [Reading(name="a", value=value, unit=unit)]  # type: ignore[arg-type]
    with pytest.raises(Unusable, match=why):
        measured(check(compute={"d": "2 * a"}), take)
