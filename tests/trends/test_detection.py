"""Counts of what a suite finds. Intervals are held against scipy.stats.binomtest's exact ones."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from verifier.readings import Disposition, Verdict
from verifier.trends.detection import FaultTally, Share, Tally, escapes_first, false_alarms

RUNS = st.lists(
    st.tuples(
        st.sampled_from(Disposition),
        st.dictionaries(st.sampled_from(["lan", "lamp", "clock"]), st.sampled_from([None, *Verdict])),
    ),
    min_size=1,
    max_size=30,
)
COVERING = frozenset({"lan", "clock"})


def tallied(runs) -> Tally:
    tally = Tally()
    for disposition, verdicts in runs:
        tally.add(disposition, verdicts, COVERING)
    return tally


@pytest.mark.parametrize(("count", "total"), [(0, 4), (4, 4), (3, 1000), (997, 1000), (50, 100)])
def test_a_share_has_the_exact_interval(count, total):
    exact = binomtest(count, total).proportion_ci(0.95, "exact")
    assert Share(count, total).interval == pytest.approx((exact.low, exact.high))


def test_a_share_in_words_keeps_its_digits_near_the_ends():
    assert Share(0, 1000).words == "0 of 1000 (0 to 0.4 %)"
    assert Share(10, 10).words == "10 of 10 (69 to 100 %)"
    assert Share(999, 1000).words == "999 of 1000 (99.4 to 100.0 %)"


@given(RUNS)
def test_every_run_is_caught_held_or_escaped_and_every_fail_is_counted(runs):
    tally = tallied(runs)
    assert tally.caught + tally.held + tally.escaped == tally.runs == len(runs)
    for check in ("lan", "lamp", "clock"):
        assert tally.fails(check) == sum(verdicts.get(check) is Verdict.FAIL for _, verdicts in runs)
    at_the_joint = sum(Verdict.FAIL in (v.get("lan"), v.get("clock")) for _, v in runs)
    assert tally.placed == at_the_joint


@given(RUNS, st.integers(0, 30))
def test_pieces_add_up_in_any_way_they_are_cut_and_kept(runs, at):
    kept = Tally.from_json(json.loads(json.dumps(tallied(runs[:at]).to_json())))
    kept.merge(tallied(runs[at:]))
    assert kept == tallied(runs)


def fault(name, caught=0, held=0, escaped=0):
    return FaultTally(name, "clear", name, "lan", Tally(caught + held + escaped, caught, held, escaped))


def test_what_escapes_most_often_stands_first_and_what_is_only_held_before_what_is_caught():
    rows = [fault("a", caught=5), fault("b", held=5), fault("c", caught=4, escaped=1), fault("d", escaped=10)]
    assert [row.name for row in escapes_first(rows)] == ["d", "c", "b", "a"]


def test_what_found_a_fault_is_told_from_what_could_not_decide():
    tally = Tally()
    for verdict in (Verdict.FAIL, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS, Verdict.NOT_RUN):
        tally.add(Disposition.REWORK, {"lan": verdict, "lamp": Verdict.BENCH_ERROR}, COVERING)
    row = FaultTally("a", "clear", "A", "lan", tally)
    assert [(check, share.count, share.total) for check, share in row.found_by] == [("lan", 2, 5)]
    assert row.undecided_by == [("lamp", "bench-error", 5), ("lan", "inconclusive", 1)]
    assert [(check, share.count) for check, share in false_alarms(tally)] == [("lan", 2)]
