"""Many cycles as one finding, and what their number says of a fault that comes and goes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta, binom, binomtest

from verifier.declare.suite import Check
from verifier.judge.cycles import of_cycles, rate_words
from verifier.judge.proportions import clopper_pearson, excluded_by_success_run
from verifier.readings import Cycle, FaultRate, Finding, Held, Moment, Verdict

NOW = Moment(wall="2026-11-25T10:00:00Z", boot="1", boot_id="b")
P, F, INC, B, N = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.BENCH_ERROR, Verdict.NOT_RUN


def check(times: int) -> Check:
    limits = ({"reading": "value", "at_least": 1, "unit": "V", "source": "invented"},)
    cycles = {"times": times}
    return Check.model_validate({"id": "a", "title": "A", "probe": "x", "cycles": cycles, "limits": limits})


def cycles(*verdicts: Verdict) -> list[Cycle]:
    return [
        Cycle(number=n, began=NOW, finding=Finding(verdict=v, reason=f"reason {n}"))
        for n, v in enumerate(verdicts, 1)
    ]


@pytest.mark.parametrize(
    ("n", "excluded"),
    # Success-run theorem, C = 1 - R^n: 59 passes for 95 % / 95 %, 299 for 95 % / 99 %, 10 for 95 % / 74 % (from
    # memory); 20 and 4 by 1 - 0.05^(1/n).
    [(59, 0.0495), (299, 0.00997), (10, 0.2589), (20, 0.1391), (4, 0.5271)],
)
def test_passes_exclude_what_the_success_run_theorem_says(n: int, excluded: float) -> None:
    assert excluded_by_success_run(n) == pytest.approx(excluded, rel=1e-3)
    assert 1 - (1 - excluded_by_success_run(n)) ** n == pytest.approx(0.95)


@given(st.integers(1, 500))
def test_excluded_share_is_the_beta_quantile_of_scipy(n: int) -> None:
    """Clopper-Pearson, one-sided, none of n: beta.ppf(0.95, 1, n)."""
    assert excluded_by_success_run(n) == pytest.approx(beta.ppf(0.95, 1, n), rel=1e-9)


@given(st.integers(2, 500).flatmap(lambda n: st.tuples(st.just(n), st.integers(1, n))))
def test_interval_is_the_exact_one_of_scipy(pair: tuple[int, int]) -> None:
    n, failed = pair
    lower, upper = clopper_pearson(failed, n)
    exact = binomtest(failed, n).proportion_ci(0.95, "exact")
    assert (lower, upper) == pytest.approx((exact.low, exact.high), rel=1e-6, abs=1e-9)
    # What it means: at either end, what was seen or further out has a chance of 2.5 %.
    assert binom.sf(failed - 1, n, lower) == pytest.approx(0.025, rel=1e-6)


CASES = st.integers(2, 40).flatmap(
    lambda n: st.tuples(st.just(n), st.lists(st.sampled_from([P, F, INC, B, N]), max_size=n))
)


@given(CASES)
def test_a_pass_takes_every_cycle_and_a_rate_takes_every_cycle_judged(case: tuple[int, list[Verdict]]) -> None:
    n, verdicts = case
    finding = of_cycles(check(n), cycles(*verdicts))
    assert (finding.verdict is P) == (verdicts == [P] * n)
    assert (finding.verdict is F) == (F in verdicts)
    assert (finding.rate is not None) == (len(verdicts) == n and set(verdicts) <= {P, F})
    if finding.rate is not None:
        assert finding.rate.failed == verdicts.count(F)
        assert finding.rate.lower <= verdicts.count(F) / n <= finding.rate.upper


@pytest.mark.parametrize(
    ("verdicts", "words"),
    [
        ([P] * 20, "all 20 cycles passed: a fault that shows in more than 14 % of cycles is excluded at 9"),
        (
            [P, F] + [P] * 18,
            "cycle 2 of 20: reason 2; 5 % of cycles fail (95 % interval 0.126 %",
        ),
        ([P, INC, P], "cycle 2 of 3: reason 2"),
        ([P, B], "cycle 2 of 20: reason 2"),
        ([F] * 7, "cycles 1, 2, 3, 4, 5 and 2 more of 7: reason 1; 100 % of cycles fail (95"),
    ],
)
def test_the_finding_says_which_cycles_and_what_follows(verdicts: list[Verdict], words: str) -> None:
    asked = 20 if verdicts == [P, B] else len(verdicts)
    assert of_cycles(check(asked), cycles(*verdicts)).reason.startswith(words)


@given(st.integers(2, 500), st.data())
def test_what_is_said_of_the_bounds_is_never_narrower_than_they_are(n: int, data: st.DataObject) -> None:
    failed = data.draw(st.integers(0, n))
    lower, upper = clopper_pearson(failed, n) if failed else (0.0, excluded_by_success_run(n))
    said = rate_words(FaultRate(cycles=n, failed=failed, lower=lower, upper=upper))
    figures = [float(word) for word in said.replace("(", " ").split() if word.replace(".", "").isdigit()]
    if failed == 0:
        assert figures[0] / 100 >= upper - 1e-9
    else:
        low, high = figures[figures.index(95.0, 1) + 1 :][:2]
        assert low / 100 <= lower + 1e-9 and high / 100 >= upper - 1e-9


def test_a_pass_shows_of_each_limit_the_cycle_that_came_nearest_to_it() -> None:
    def held(margin: float) -> Held:
        return Held(reading="value", verdict=P, limit="", source="", rule="guarded", margin=margin)

    made = [
        Cycle(number=n, began=NOW, finding=Finding(verdict=P, held=(held(a), held(b))))
        for n, (a, b) in enumerate([(3, 1), (1, 3), (2, 2)], 1)
    ]
    assert [h.margin for h in of_cycles(check(3), made).held] == [1, 1]
