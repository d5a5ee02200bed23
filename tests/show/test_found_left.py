from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.readings import Contribution, Finding, Reading, Stage, Verdict
from verifier.show.found_left import pairs


def both(sample: Any, found: Any, left: Any, **more: Any) -> Any:
    """A record with one check at arrival and one after, from findings or readings."""
    checks = []
    for id_, stage, what in (("before", Stage.ARRIVAL, found), ("after", Stage.CLOSED, left)):
        if isinstance(what, Reading):
            check = sample.check(id_, "Settled rise", Finding(verdict=None), stage=stage, takes=((what,),))
        else:
            check = sample.check(
                id_, "Settled rise", Finding(verdict=what.verdict, held=(what,)), stage=stage, **more
            )
        checks.append(check)
    return sample.everything(checks=tuple(checks))[0]


def one(record: Any) -> tuple[str, str, str]:
    ((change,),) = [pair.changes for pair in pairs(record)]
    return tuple(text.replace("\u202f", " ") for text in (change.found, change.left, change.change))  # type: ignore[return-value]


def test_the_difference_with_both_uncertainties_combined(sample: Any) -> None:
    """√(0.3² + 0.4²) = 0.5 (JCGM 100:2008, 5.1.2 eq. 10); a difference of degrees Celsius is in kelvins."""
    found = sample.held("rise", 61.2, 0.3, "Cel", high=45, verdict=Verdict.FAIL)
    left = sample.held("rise", 41.0, 0.4, "Cel", high=45)
    assert one(both(sample, found, left)) == ("61.20 °C", "41.00 °C", "−20.20 K, u 0.50 K")
    (pair,) = pairs(both(sample, found, left))
    assert (pair.found_id, pair.left_id) == ("before", "after")
    assert (pair.changes[0].found_verdict, pair.changes[0].left_verdict) == ("fail", "pass")


def test_counts_are_exact_and_unknown_uncertainties_stay_unknown(sample: Any) -> None:
    found, left = sample.held("speed", 480, None, "Mbit/s"), sample.held("speed", 5000, None, "Mbit/s")
    assert one(both(sample, found, left)) == ("480 Mbit/s", "5000 Mbit/s", "+4520 Mbit/s")
    assert one(both(sample, found, found))[2] == "none"
    bare = Reading(name="x", value=0.1, unit="V")
    assert one(both(sample, bare, replace(bare, value=0.3)))[2] == "+0.2 V"


def test_readings_that_were_not_judged_are_compared_too(sample: Any) -> None:
    reading = Reading(name="x", value=40.0, unit="Cel", contributions=(Contribution.resolution(1.0),))
    assert one(both(sample, reading, replace(reading, value=43.0))) == (
        "40.00 °C",
        "43.00 °C",
        "+3.00 K, u 0.41 K",
    )


@pytest.mark.parametrize(("left", "said"), [("RM-220-A", "the same"), ("RM-220-B", "another"), (5, "another")])
def test_texts_are_the_same_or_another(left: Any, said: str, sample: Any) -> None:
    record = both(sample, Reading(name="x", value="RM-220-A"), Reading(name="x", value=left))
    assert one(record)[2] == said


def test_only_the_same_check_is_compared(sample: Any) -> None:
    held = sample.held("rise", 41.0, 0.4, "K", high=45)
    record = both(sample, held, held)
    found, left = record.checks
    for other in (
        left.model_copy(update={"settings": {"zone": "other"}}),
        left.model_copy(update={"probe": "another"}),
        left.model_copy(update={"attempts": ()}),
        left.model_copy(update={"stage": Stage.ARRIVAL}),
    ):
        assert pairs(record.model_copy(update={"checks": (found, other)})) == []
    assert pairs(record.model_copy(update={"checks": (left,)})) == []


def test_a_question_asked_twice_is_one_check(sample: Any) -> None:
    record, _ = sample.everything()
    asked = next(check for check in record.checks if check.id == "spacers-fitted")
    before = asked.model_copy(update={"id": "spacers-found", "stage": Stage.ARRIVAL})
    (pair,) = pairs(record.model_copy(update={"checks": (before, asked)}))
    assert pair.changes[0].reading == "count"


def test_the_page_shows_the_pairs(sample: Any, render: Callable[..., str]) -> None:
    held = sample.held("rise", 41.0, 0.4, "K", high=45)
    assert "As found and as left" in render(both(sample, held, held), {})
    assert "As found and as left" not in render(*sample.everything())


@given(
    values=st.tuples(*[st.one_of(st.floats(), st.integers(), st.booleans(), st.text(max_size=5))] * 2),
    unit=st.sampled_from(["", "1", "Cel", "dBm", "no unit at all"]),
    u=st.sampled_from([0.0, 1e-300, 0.5, 1e300]),
)
def test_any_two_readings_can_be_shown(values: tuple[Any, Any], unit: str, u: float, sample: Any) -> None:
    parts = (Contribution.half_width(u, basis="study"),)  # type: ignore[arg-type]
    a, b = (Reading(name="x", value=v, unit=unit, contributions=parts) for v in values)
    assert all(isinstance(text, str) for text in one(both(sample, a, b)))
