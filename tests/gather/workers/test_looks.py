"""A probe in a worker asks whether what it has is enough, and ends when it is."""

from collections.abc import Callable
from contextlib import aclosing
from pathlib import Path
from typing import Any

import anyio
import pytest

from verifier.errors import BenchFault
from verifier.gather.catalogue import load_catalogue
from verifier.gather.workers import WorkerPool
from verifier.readings import Reading
from verifier.steps import Look


@pytest.fixture(autouse=True)
def looking(install: Callable[[Path, str], None]) -> None:
    install(Path(__file__).with_name("looking.py"), "looking-probes")


def take(probe: str, enough_from: float, **settings: Any) -> dict[str, Any]:
    declaration = load_catalogue().declaration(probe)
    assert declaration is not None

    async def collect() -> dict[str, Any]:
        found = {}
        async with WorkerPool() as pool:
            taken = pool.take(probe, settings, "local", declaration=declaration, deadline=20.0)
            async with aclosing(taken) as steps:
                async for step in steps:
                    match step:
                        case Look():
                            (level,) = step.readings
                            assert level.conditions.looks == 10
                            step.enough = float(level.value) >= enough_from
                        case Reading():
                            found[step.name] = step.value
        return found

    try:
        return anyio.run(collect)
    except BaseExceptionGroup as group:
        raise group.exceptions[0] from None


@pytest.mark.parametrize(("enough_from", "looked"), [(1, 1), (3, 3), (99, 5)])
def test_it_ends_when_it_is_enough_and_not_before(enough_from: float, looked: int) -> None:
    assert take("depot.looks", enough_from) == {"level": looked, "looked": looked}


@pytest.mark.parametrize(
    ("probe", "settings", "words"),
    [
        ("depot.looks_unsaid", {}, "without declaring it"),
        ("depot.looks", {"most": 101}, "more than 100 times"),
        ("depot.looks", {"name": "other"}, "does not declare"),
        ("depot.looks", {"looks": 0}, "conditions of level that cannot be used"),
    ],
)
def test_looks_that_are_none(probe: str, settings: dict[str, Any], words: str) -> None:
    with pytest.raises(BenchFault, match=words):
        take(probe, 1000, **settings)
