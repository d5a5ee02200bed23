"""A code that only the unit's camera reads: another one each time, and told to nobody before the answer."""

from __future__ import annotations

import random
import re
from types import SimpleNamespace
from typing import Any

import anyio
import pytest

from verifier.gather.probes.camera_code import LENGTH, LETTERS, Code, Settings
from verifier.gather.workers import run_probe
from verifier.readings import Reading
from verifier.steps import Ask, Cue


class Technician:
    """Types what the camera is said to read; {} stands for what it does read."""

    def __init__(self, *typed: str) -> None:
        self.typed, self.said, self.code = list(typed), "", ""

    def readings(self, seed: int = 1, **settings: Any) -> dict[str, object]:
        host: Any = SimpleNamespace(address="none", services=frozenset())

        async def collect() -> dict[str, object]:
            found: dict[str, object] = {}
            async for step in run_probe(Code(random.Random(seed)), host, settings):
                match step:
                    case Cue():
                        self.code = step.code
                        self.said += step.say
                    case Ask():
                        step.answer = self.typed.pop(0).format(self.code)
                        assert re.fullmatch(step.pattern, step.answer)
                        self.said += step.say
                    case Reading():
                        found[step.name] = step.value
            return found

        return anyio.run(collect)


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        (["{}"], True),
        (["XXXXXX", "{}"], True),
        (["XXXXXX", "YYYYYY"], False),
        (["0"], False),
        (["XXXXXX", "0"], False),
    ],
)
def test_what_was_typed_against_what_was_shown(typed: list[str], read: bool) -> None:
    """One slip of the fingers is asked again; a camera that reads nothing is not."""
    technician = Technician(*typed)
    found = technician.readings(place="rear", reader="Tickets, Read")
    assert found["code_read"] is read and found["shown"] == technician.code
    assert not technician.typed
    assert "rear camera" in technician.said and "Tickets, Read" in technician.said
    assert technician.code not in technician.said


def test_small_letters_are_the_same_letters() -> None:
    class Shy(Technician):
        def readings(self, seed: int = 1, **settings: Any) -> dict[str, object]:
            self.typed = [Technician("0").readings(seed)["shown"].lower()]  # type: ignore[attr-defined]
            return super().readings(seed, **settings)

    assert Shy().readings(4)["code_read"] is True


def test_another_code_each_time_of_letters_that_look_like_no_other() -> None:
    codes = {str(Technician("0").readings(seed)["shown"]) for seed in range(100)}
    assert len(codes) == 100 and all(len(code) == LENGTH and set(code) <= set(LETTERS) for code in codes)
    assert all(len(set(alike) & set(LETTERS)) <= 1 for alike in ("0O", "1IL", "2Z", "5S", "6G", "8B", "UV"))


@pytest.mark.parametrize("settings", [{"place": ""}, {"place": "x" * 41}, {"reader": "a\x1bb"}])
def test_settings_that_cannot_be_shown(settings: dict[str, str]) -> None:
    with pytest.raises(ValueError, match="printable"):
        Settings(**settings)
