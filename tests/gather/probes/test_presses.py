"""Key events to presses, presses to cues, and what a run without a miss demonstrates."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.gather.probes.presses import (
    BOUNCE,
    DOUBLED,
    FASTEST,
    Press,
    demonstrated,
    matched,
    presses_of,
    trials_needed,
)
from verifier.services import KeyEvent

PATIENCE = 4.0


def key(at: float, value: int, device: str = "event3", code: int = 116) -> KeyEvent:
    # The kernel's stamps count from elsewhere than the watch.
    return KeyEvent(device=device, code=code, value=value, at=at + 1000.0, seen=at)


def press(at: float) -> Press:
    return Press(at=at, held=0.1)


events = st.lists(
    st.builds(
        key,
        st.floats(0, 60),
        st.sampled_from([0, 1, 2]),
        st.sampled_from(["event3", "event4"]),
        st.sampled_from([116, 0x164]),
    ),
    max_size=60,
)


def test_a_press_lasts_from_going_down_to_being_let_go() -> None:
    (one,) = presses_of([key(1.0, 1), key(1.5, 2), key(1.53, 2), key(2.1, 0)])
    assert one.at == 1.0 and one.held == pytest.approx(1.1) and one.bounces == 0


def test_contacts_that_bounce_at_both_ends_are_one_press() -> None:
    """Within 3 ms, as the invented terminal's button does; Ganssle's worst of 18 took 6.2 ms (from memory)."""
    down = [key(1.0, 1), key(1.001, 0), key(1.003, 1)]
    up = [key(1.2, 0), key(1.2015, 1), key(1.203, 0)]
    (one,) = presses_of([*down, *up])
    assert one.bounces == 2 and one.held == pytest.approx(0.203)


def test_an_acpi_button_reports_both_at_once_and_still_counts() -> None:
    first, second = presses_of([key(1.0, 1), key(1.0, 0), key(3.0, 1), key(3.0, 0)])
    assert (first.held, second.held) == (0.0, 0.0) and first.bounces == second.bounces == 0


def test_a_push_that_two_devices_report_is_one_press() -> None:
    both = [key(1.0, 1), key(1.01, 1, "event4"), key(1.2, 0), key(1.21, 0, "event4")]
    later = [key(5.0, 1, "event4"), key(5.01, 1), key(5.1, 0, "event4"), key(5.11, 0)]
    assert [(p.at, p.bounces) for p in presses_of([*both, *later])] == [(1.0, 0), (5.0, 0)]


def test_a_key_that_is_never_let_go_stays_down() -> None:
    assert [p.held for p in presses_of([key(0.5, 0), key(1.0, 1)])] == [None]


@given(events)
def test_no_stream_of_events_breaks_the_count(stream: list[KeyEvent]) -> None:
    found = presses_of(sorted(stream, key=lambda e: e.seen))
    ups = sum(e.value == 1 for e in stream)
    assert len(found) + sum(p.bounces for p in found) <= ups
    assert bool(found) == bool(ups)
    assert all(p.held is None or p.held >= 0 for p in found)
    assert [p.at for p in found] == sorted(p.at for p in found)


@given(
    st.lists(st.floats(0, 100), unique=True, max_size=12).map(sorted),
    st.lists(st.floats(-5, 110), max_size=30).map(sorted),
)
def test_every_cue_and_every_press_is_counted_once(cues: list[float], at: list[float]) -> None:
    found = matched(cues, [press(t) for t in at], patience=PATIENCE)
    assert found.in_time + found.late + found.missed == len(cues)
    assert found.in_time + found.late + found.doubled + found.unasked == len(at)
    assert min(found.in_time, found.late, found.missed, found.doubled, found.unasked) >= 0


FATES = ["pressed", "missed", "late", "doubled", "unasked"]


@given(st.lists(st.tuples(st.sampled_from(FATES), st.floats(0.15, 2.5), st.floats(1.0, 9.0)), max_size=40))
def test_what_was_done_to_the_button_is_what_is_counted(course: list[tuple[str, float, float]]) -> None:
    """Each cue is 15 s after the one before, so that its fate is beyond doubt."""
    cues, presses = [], []
    for number, (fate, reaction, gap) in enumerate(course):
        cue = 15.0 * number
        cues.append(cue)
        if fate == "late":
            presses.append(press(cue + PATIENCE + reaction))
        elif fate != "missed":
            presses.append(press(cue + reaction))
        if fate == "doubled":
            presses.append(press(cue + reaction + 0.4))
        if fate == "unasked":
            presses.append(press(cue + reaction + gap))
    found = matched(cues, presses, patience=PATIENCE)
    fates = [fate for fate, _, _ in course]
    assert found.missed == fates.count("missed") and found.late == fates.count("late")
    assert found.doubled == fates.count("doubled") and found.unasked == fates.count("unasked")


def test_what_comes_too_soon_does_not_answer() -> None:
    found = matched([10.0], [press(10.0 + FASTEST / 2)], patience=PATIENCE)
    assert (found.missed, found.unasked) == (1, 1)


def test_the_lengths_of_time_do_not_overlap() -> None:
    assert BOUNCE < FASTEST < DOUBLED


@pytest.mark.parametrize(
    ("share", "confidence", "trials"),
    [
        # NIST/SEMATECH and common tables of success runs; 59 as Wilks' one-sided 95/95 (tolerance, distfreeest).
        (0.95, 0.95, 59),
        # reliability.readthedocs.io, "Sample size required for no failures".
        (0.999, 0.95, 2995),
        # General tables, from memory.
        (0.90, 0.90, 22),
        (0.90, 0.95, 29),
        (0.95, 0.90, 45),
        (0.99, 0.95, 299),
    ],
)
def test_trials_without_a_failure(share: float, confidence: float, trials: int) -> None:
    assert trials_needed(share, confidence) == trials
    assert demonstrated(trials, confidence) >= share > demonstrated(trials - 1, confidence)


def test_ten_presses_demonstrate_little() -> None:
    """1 − .95^59 = .951505 (the same arithmetic, Wilks); .05^(1/30) = .904966 (success-run, R-bound n = 30)."""
    assert demonstrated(10) == pytest.approx(0.7411, abs=5e-5)
    assert demonstrated(30) == pytest.approx(0.904966, abs=5e-7)


@given(st.floats(0.01, 0.9999), st.floats(0.01, 0.999))
def test_the_number_needed_is_the_least_that_is_enough(share: float, confidence: float) -> None:
    needed = trials_needed(share, confidence)
    assert share**needed <= 1 - confidence
    assert needed == 1 or share ** (needed - 1) > 1 - confidence


@pytest.mark.parametrize("share", [0.0, 1.0, -1.0, 2.0])
def test_certainty_cannot_be_demonstrated(share: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        trials_needed(share)
    with pytest.raises(ValueError, match="one trial"):
        demonstrated(0)
