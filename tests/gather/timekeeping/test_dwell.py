"""The dwell planner: its arithmetic, and that the judge decides as it foretold."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.gather.timekeeping.dwell import Dwell, Ends, rounded_up, words
from verifier.judge.decision import acceptance_limits
from verifier.judge.distributions import normal_or_t


def test_twenty_ppm_over_ten_minutes_is_twelve_milliseconds() -> None:
    """Arithmetic: 20e-6 × 600 s. Ends that are known so well that their difference has u = 12 ms give 20 ppm."""
    ends = Ends(reference=12e-3 * math.sqrt(3 / 2), look=0.0)
    assert ends.u(600) == pytest.approx(20.0)
    assert ends.seconds(20.0) == pytest.approx(600.0)


def test_a_worked_case() -> None:
    """± 10 ms and ± 5 ms: u(end) = 6.455 ms, u(change) = 9.129 ms. For ± 20 ppm at 2.5 % the middle needs
    u = 20/2.2414 = 8.923 ppm (Φ⁻¹(0.9875) = 2.2414), so 1023 s; half of it as guard band 5.102 ppm, 1789 s."""
    dwell = Dwell(within=20.0, risk=0.025, ends=Ends(reference=0.010, look=0.005))
    assert dwell.shortest == pytest.approx(1023.1, abs=0.5)
    assert dwell.planned == 1800.0
    assert dwell.passes(1000) == 0.0
    assert dwell.passes(1800) == pytest.approx(10.06, abs=0.05)


@given(
    within=st.floats(1, 200), reference=st.floats(1e-4, 1), look=st.floats(1e-4, 0.1), longer=st.floats(1.001, 50)
)
def test_the_judge_decides_as_foretold(within: float, reference: float, look: float, longer: float) -> None:
    dwell = Dwell(within=within, risk=0.025, ends=Ends(reference=reference, look=look))
    seconds = dwell.shortest * longer
    accepted = acceptance_limits(-within, within, normal_or_t(dwell.ends.u(seconds), None), 0.025)
    assert accepted is not None and accepted[1] is not None
    assert dwell.passes(seconds) == pytest.approx(accepted[1], rel=1e-6, abs=1e-6 * within)
    assert (
        acceptance_limits(-within, within, normal_or_t(dwell.ends.u(dwell.shortest / longer), None), 0.025) is None
    )


def test_what_no_time_takes_away_can_leave_no_dwell_at_all() -> None:
    dwell = Dwell(within=2.0, risk=0.025, ends=Ends(reference=0.001, look=0.001, floor=1.0))
    assert dwell.shortest == math.inf == dwell.planned
    assert words(dwell.shortest) == "no time"


def test_the_table_marks_this_check_and_says_where_nothing_passes() -> None:
    dwell = Dwell(within=20.0, risk=0.025, ends=Ends(reference=0.010, look=0.005))
    short, shortest, *_, long = dwell.table(600.0)[1:]
    assert short.split() == ["10", "min", "±", "30.4", "ppm", "nothing", "<-", "this", "check"]
    assert shortest.split()[:2] == ["20", "min"] and "passes" not in shortest
    assert long.split()[:2] == ["1", "h"]


@pytest.mark.parametrize(
    ("seconds", "up"), [(0.5, 1), (41, 60), (61, 120), (1023, 1200), (3601, 7200), (2.6e5, 262800)]
)
def test_lengths_of_time_are_those_a_person_would_set(seconds: float, up: float) -> None:
    assert rounded_up(seconds) == up
