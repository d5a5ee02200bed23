"""A simulated unit without power: ten hours take no time, and its cell decides what its clock shows afterwards."""

from __future__ import annotations

from typing import Any

import anyio
import pytest

from verifier.declare.suite import Console
from verifier.gather.catalogue import load_catalogue
from verifier.gather.prompts.question import Given, Question
from verifier.gather.simulated import Description, Hands, SimulatedHost, SimulatedTaker, load_description
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.readings import Person, Reading
from verifier.shipped import find_suite
from verifier.steps import Consult, Cue

HOURS = 10


def cut(model: str, console: Console | None = None, **parts: Any) -> tuple[dict[str, Any], float]:
    """Readings by name, and the seconds that went by in the unit's own time."""
    described = load_description(find_suite(model).parent / "unit.toml").to_json()
    for part, changes in parts.items():
        described[part] = {**described.get(part, {}), **changes}
    clocks, catalogue = VirtualClocks(3), load_catalogue()
    host = SimulatedHost(Description.model_validate(described), 3, clocks, console)
    declaration = catalogue.declaration("clock.retention")
    assert declaration is not None
    settings = {"server": "time.example", "holds_up": 60.0, "dwell": HOURS * 3600.0}

    async def take() -> dict[str, Any]:
        if console is not None:
            await host.start()
        taken = SimulatedTaker(host, catalogue).take(
            "clock.retention", settings, "simulated", declaration=declaration, deadline=90.0
        )
        found = {}
        async for step in taken:
            assert not isinstance(step, Consult)
            if isinstance(step, Cue):
                assert "Take all power away now" in step.say and "Simulated: it is done for you" in step.say
            if isinstance(step, Reading):
                found[step.name] = step.value
        return found

    return anyio.run(take, backend_options=backend_options(clocks)), clocks.loop()


def test_a_crystals_rate_over_ten_hours() -> None:
    """13 ppm at 25 °C, and as warm as that: 0.468 s in ten hours."""
    crystal = {"crystal_ppm": 13.0, "spread": 0.0, "temperature": 25.0, "turnover": 25.0}
    found, took = cut("marrowby-quayside", clock=crystal)
    assert took > HOURS * 3600
    assert found["kept"] is True and found["away"] == HOURS * 3600
    assert found["change"] == pytest.approx(0.468, abs=0.011)
    assert found["rate"] == pytest.approx(13.0, abs=0.3)


@pytest.mark.parametrize("cell", [{"volts": 0.4}, {"connected": False}, {"reversed": True}])
def test_without_a_good_cell_the_time_is_lost(cell: dict[str, Any]) -> None:
    found, _ = cut("marrowby-quayside", cell=cell)
    assert found["kept"] is False and "rate" not in found


def test_over_the_console_of_a_logger() -> None:
    console = Console.model_validate({"ending": "cr-lf", "wait": "2 s"})
    found, _ = cut("marrowby-orlop", console)
    assert found["kept"] is True
    found, _ = cut("marrowby-orlop", console, cell={"volts": 0.1})
    assert found["kept"] is False and "began anew" in found["how"]


class Sitting:
    """Somebody at a terminal, whose own clock shows no simulated time."""

    def __init__(self) -> None:
        self.said: list[str] = []

    async def ask(self, question: Question) -> Given:
        raise AssertionError(f"nobody can know: {question.say}")

    async def cue(self, title: str, cue: Cue) -> Person:
        self.said.append(cue.say)
        return Person(name="T07")


def test_the_minute_marks_of_simulated_time_are_pressed_for_whoever_sits_there() -> None:
    clocks, person = VirtualClocks(3), Sitting()
    host = SimulatedHost(load_description(find_suite("marrowby-quayside").parent / "unit.toml"), 3, clocks)
    hands, catalogue = Hands(person, host), load_catalogue()
    declaration = catalogue.declaration("clock.retention")
    assert declaration is not None

    async def take() -> dict[str, Any]:
        settings, found = {"reference": "key", "holds_up": 60.0, "dwell": 36_000.0}, {}
        taker = SimulatedTaker(host, catalogue)
        async for step in taker.take(
            "clock.retention", settings, "simulated", declaration=declaration, deadline=90
        ):
            if isinstance(step, Cue):
                await hands.cue("a check", step)
            elif isinstance(step, Reading):
                found[step.name] = step.value
            else:
                raise AssertionError(step)
        return found

    found = anyio.run(take, backend_options=backend_options(clocks))
    # ± 20 ppm over ten hours are 0.72 s, and a key is pressed up to 0.3 s late.
    assert found["kept"] is True and abs(found["change"]) < 0.72 + 0.3
    assert len(person.said) == 3 and all("done for you" in said for said in person.said)
