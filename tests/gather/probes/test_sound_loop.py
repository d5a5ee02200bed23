"""The loop-back probe on a card that is none: what it plays comes back as the test says."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import anyio
import numpy as np
import pytest

from verifier.errors import BenchFault, NotPossible
from verifier.gather.probes.sound_loop import LoopBack, Settings
from verifier.gather.sound import Recording
from verifier.gather.workers import run_probe
from verifier.readings import Basis, Reading

Way = Callable[[Any], Any]


class Card:
    def __init__(self, way: Way, lost: int = 0) -> None:
        self.way, self.lost, self.played = way, lost, 0

    async def play_and_record(self, frames: Any, rate: int, names: tuple[str, str], inputs: int) -> Recording:
        self.played += 1
        came = self.way(np.roll(frames, 480, axis=0))
        assert came.shape[1] == inputs
        return Recording(frames=came, way=" to ".join(names), lost=self.played <= self.lost)


def take(card: Card, **settings: Any) -> dict[str, Reading]:
    host: Any = SimpleNamespace(address="local", services=frozenset({"sound"}), sound=card)

    async def collect() -> dict[str, Reading]:
        taken = run_probe(LoopBack(), host, {"seconds": 1.0, "output": "here", "input": "there", **settings})
        return {r.name: r async for r in taken if isinstance(r, Reading)}

    return anyio.run(collect)


def noisy(frames: Any) -> Any:
    return 0.5 * frames + 1e-4 * np.random.default_rng(1).standard_normal(frames.shape)


def test_every_reading_of_a_sound_way() -> None:
    found = take(Card(noisy))
    values = {name: reading.value for name, reading in found.items()}
    assert values["left_arrives"] is values["right_arrives"] is True
    assert values["swapped"] is values["left_inverted"] is values["right_inverted"] is False
    assert values["left_level"] == pytest.approx(-12.02, abs=0.01)
    assert values["left_delay"] == values["right_delay"] == pytest.approx(10.0)
    # RMS 1e-4 in 20 of 24 kHz against a tone of peak 0.25: −65.8 dB (arithmetic).
    assert values["left_thd_n"] == pytest.approx(-65.8, abs=0.3)
    assert values["left_thd_n_percent"] == pytest.approx(0.0515, abs=0.002)
    assert values["noise"] == pytest.approx(-77.8, abs=0.3)
    assert values["left_frequency"] == pytest.approx(997, abs=0.01)
    assert (values["left_dropouts"], values["right_clipped"]) == (0, 0)
    assert found["left_level"].origin == "here to there, input 1"
    for name in ("left_level", "left_thd_n", "left_thd_n_percent", "left_frequency", "noise", "hum"):
        known, step = found[name].contributions
        assert known.u > 0 and step.basis is Basis.RESOLUTION, name
    known, step = found["left_thd_n"].contributions
    assert step.u == pytest.approx(0.001 / 12**0.5)
    assert known.dof == 7 and 0.005 < known.u < 0.2


def test_a_way_without_any_noise_is_not_told_to_more_digits_than_a_card_holds() -> None:
    found = take(Card(lambda frames: 0.5 * frames))
    assert found["left_level"].value == -12.021 and found["left_frequency"].value == 997
    assert all(
        sum(c.u for c in found[name].contributions) >= 0.00028
        for name in ("left_level", "noise", "left_crosstalk")
    )


def test_a_mono_input_and_a_side_that_is_lost() -> None:
    found = take(Card(lambda frames: noisy(frames)[:, :1]), inputs=1)
    assert found["left_arrives"].value is True and found["right_arrives"].value is False
    assert not {"swapped", "left_crosstalk", "right_level", "right_thd_n"} & set(found)


def test_a_recording_with_lost_samples_is_made_again() -> None:
    card = Card(noisy, lost=1)
    take(card)
    assert card.played == 2
    with pytest.raises(BenchFault, match="was lost"):
        take(Card(noisy, lost=3))


def test_a_recording_that_is_none_is_the_benchs_fault() -> None:
    with pytest.raises(BenchFault, match="no whole recording"):
        take(Card(lambda frames: frames[:100]))


def test_a_host_without_sound() -> None:
    host: Any = SimpleNamespace(address="ssh://root@unit", services=frozenset({"files", "commands"}))

    async def collect() -> None:
        async for _ in run_probe(LoopBack(), host, {}):
            pass

    with pytest.raises(NotPossible, match="cannot be read over ssh: it needs sound"):
        anyio.run(collect)


@pytest.mark.parametrize(
    "settings",
    [{"inputs": 3}, {"mains": 55}, {"level": 1.0}, {"seconds": 0.5}, {"rate": 8000}, {"output": "x" * 201}],
)
def test_settings_that_make_no_sense(settings: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"level|inputs|output"):
        Settings(**settings)
