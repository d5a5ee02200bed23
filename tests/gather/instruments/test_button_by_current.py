"""Presses that only the supply current shows: a unit that toggles, a finger that misses, presses twice or late."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from instrument_bench import TestInstruments
from taking import take
from virtual_bench import VirtualBench

from verifier.errors import NotPossible
from verifier.gather.probes.button_by_current import PressesByCurrent
from verifier.steps import Cue

OFF, ON, BOOTS = 0.008, 0.3, 12.0
SETTINGS: dict[str, Any] = {"instrument": "supply", "voltage": 24.0, "current_limit": 1.0, "change": 0.1}


class Unit:
    """Goes on and off by presses at known moments, restless while it boots; with noise and wild values."""

    def __init__(self, seed: int = 1) -> None:
        self.presses: list[float] = []
        self._chance = random.Random(seed)

    def __call__(self, now: float) -> float:
        done = [at for at in self.presses if at <= now]
        booting = 0.45 if now % 1 < 0.5 else 0.65
        level = OFF if len(done) % 2 == 0 else booting if now - done[-1] < BOOTS else ON
        wild = 0.7 if self._chance.random() < 0.003 else 0.0
        return level + wild + self._chance.gauss(0, 0.003)


def pressed(answers: Callable[[int], list[float]], **more: Any) -> dict[str, Any]:
    """Values of the readings, where cue n is answered so many seconds after it, each time once for each."""
    unit = Unit()
    bench = VirtualBench(unit)
    cues = 0

    def finger(cue: Cue) -> None:
        nonlocal cues
        if not cue.wait:
            cues += 1
            unit.presses += [bench.clocks.now + delay for delay in answers(cues)]

    found = bench.take(PressesByCurrent(random.Random(5)), finger, **SETTINGS, **more)
    return {name: reading.value for name, reading in found.items()}


def counts(found: dict[str, Any]) -> dict[str, Any]:
    names = ("asked", "registered", "missed", "late", "unasked", "undone")
    return {name: found[name] for name in names if found[name]}


def test_every_press_is_witnessed_and_states_what_that_demonstrates() -> None:
    found = pressed(lambda number: [0.4])
    assert counts(found) == {"asked": 10, "registered": 10}
    # Success run: R = 0.05^(1/10) = 74.11 %; the same of 59: 95.05 %.
    assert found["demonstrated"] == 74.1
    assert pressed(lambda number: [0.4], presses=59)["demonstrated"] == 95.0


def test_a_press_that_does_nothing_is_missed() -> None:
    found = pressed(lambda number: [] if number in (3, 7) else [0.4])
    assert counts(found) == {"asked": 10, "registered": 8, "missed": 2} and "demonstrated" not in found


def test_a_slow_finger_or_unit_is_late() -> None:
    assert counts(pressed(lambda number: [5.0 if number == 4 else 0.4])) == {
        "asked": 10,
        "registered": 10,
        "late": 1,
    }


def test_one_push_that_registers_twice_is_undone() -> None:
    found = pressed(lambda number: [0.4, 0.6] if number == 2 else [0.4])
    assert counts(found) == {"asked": 10, "registered": 10, "undone": 1}


def test_a_unit_that_goes_off_by_itself_is_told_as_unasked() -> None:
    """It goes off at a moment when all has come to rest, before the next cue."""
    found = pressed(lambda number: [0.4, 0.4 + BOOTS + 4.9] if number == 1 else [0.4])
    assert counts(found) == {"asked": 10, "registered": 10, "unasked": 1}


def test_nothing_but_noise_is_no_press() -> None:
    assert counts(pressed(lambda number: [])) == {"asked": 10, "missed": 10}


def test_a_current_that_never_rests_is_no_witness() -> None:
    bench = VirtualBench(lambda now: 0.1 if now % 1 < 0.5 else 0.6)
    with pytest.raises(NotPossible, match="no witness"):
        bench.take(PressesByCurrent(), lambda cue: None, **SETTINGS)


def test_with_a_real_supply_on_a_line(tmp_path: Path, instruments: TestInstruments) -> None:
    folder = instruments.describe(tmp_path / "instruments", "supply")
    instruments.tell(draws=[[0, OFF]])
    states = iter([[[0, 0.5], [0.2, ON]], [[0, OFF]]])

    def finger(cue: Cue) -> None:
        if not cue.wait:
            threading.Timer(0.15, lambda: instruments.tell(pressed=next(states))).start()

    quick = {"presses": 2, "patience": 1.0, "longest_gap": 1.0, "steady": 0.3, "interval": 0.005}
    found = take(folder, "button.by_current", finger, **SETTINGS, **quick)
    assert found["registered"].value == 2 and found["undone"].value == 0
    assert found["current"].series is not None and found["stayed_on"].value is True
    assert not instruments.tell(draws=[])["supply"]["on"], "the supply was left on"
