"""The report's own words."""

from __future__ import annotations

import pytest

from verifier.declare.suite import Decision, Rule
from verifier.readings import Disposition, Held, Outcome, Verdict
from verifier.show import words
from verifier.show.numbers import THIN


@pytest.mark.parametrize(
    ("disposition", "reason", "said"),
    [
        (Disposition.RELEASE, "all 34 checks pass", "Released: all 34 checks pass."),
        (Disposition.REWORK, "port 2 lost SuperSpeed", "Back to rework: port 2 lost SuperSpeed."),
        (Disposition.HOLD, "no judged check was taken.", "On hold: no judged check was taken."),
        (Disposition.HOLD, "", "On hold."),
    ],
)
def test_headline(disposition: Disposition, reason: str, said: str) -> None:
    assert words.headline(Outcome(disposition=disposition, reason=reason)) == said


def test_the_rule_in_words_names_the_risk_and_what_it_adds_up_to() -> None:
    outcome = Outcome(disposition=Disposition.RELEASE, reason="", risk_bound=0.78)
    text = " ".join(words.decision_words(Decision(max_false_accept=0.025), outcome, 60)).replace(THIN, " ")
    assert "at most 2.5 %" in text
    assert "60 guarded passes" in text
    assert "at most 78 %" in text


def test_a_bound_above_one_is_not_printed() -> None:
    outcome = Outcome(disposition=Disposition.RELEASE, reason="", risk_bound=1.5)
    assert "150" not in " ".join(words.decision_words(Decision(), outcome, 60))


def test_the_simple_rule_says_that_uncertainty_is_not_used() -> None:
    (text,) = words.decision_words(Decision(rule=Rule.SIMPLE), Outcome(disposition=Disposition.HOLD, reason=""), 0)
    assert "not used" in text
    assert "may be on the wrong side" in text


def test_a_simulation_and_a_self_seal_are_named() -> None:
    assert words.role_note("station") is None
    simulated = words.role_note("simulated", "simulated")
    recorded = words.role_note("simulated", "recorded:trees/a")
    assert simulated and simulated[0] == "Simulated"
    assert recorded and recorded[0] == "From a recording"
    note = words.role_note("self")
    assert note and note[0] == "Sealed by the unit itself, not by a bench"


def test_cautions_name_what_the_work_can_do() -> None:
    text = " ".join(f"{word} {what}" for word, what in words.CAUTIONS).lower()
    for danger in ("electrostatic", "hot", "swollen", "coin cell", "swallowed", "mains", "qualified"):
        assert danger in text
    assert "no calibration certificate and no safety test" in words.NO_CERTIFICATE


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.04, "40 ms"),
        (4.2, "4.2 s"),
        (42, "42 s"),
        (59.96, "1 min"),
        (2590, "43 min 10 s"),
        (7500, "2 h 5 min"),
        (273_600, "3 d 4 h"),
    ],
)
def test_durations(seconds: float, said: str) -> None:
    assert words.duration(seconds).replace(THIN, " ") == said


def test_times_are_utc_and_nonsense_is_left_alone() -> None:
    assert words.day_and_time("2026-11-25T10:15:12.104Z") == "25 Nov 2026, 10:15:12 UTC"
    assert words.day_and_time("yesterday") == "yesterday"


def test_limit_words_get_people_s_units_and_minus() -> None:
    held = Held(
        reading="x", verdict=Verdict.PASS, limit="-20 to 60 Cel", source="", rule="simple", unit="Cel", upper=60
    )
    assert words.limit_words(held).replace(THIN, " ") == "−20 to 60 °C"
