"""A probe in a worker asks for an action, and goes on when it has been shown."""

from collections.abc import Callable
from contextlib import aclosing
from pathlib import Path
from typing import Any

import anyio
import pytest

from verifier.errors import BenchFault
from verifier.gather.catalogue import load_catalogue
from verifier.gather.workers import WorkerPool
from verifier.gather.workers.wire import WireError, unpack_step
from verifier.readings import Reading
from verifier.steps import Cue


@pytest.fixture(autouse=True)
def cueing(install: Callable[[Path, str], None]) -> None:
    install(Path(__file__).with_name("cueing.py"), "cueing-probes")


def take(
    probe: str,
    settings: dict[str, Any],
    *,
    shown_after: float = 0.0,
    deadline: float = 20.0,
    backend: str = "asyncio",
) -> list[Cue | Reading]:
    declaration = load_catalogue().declaration(probe)
    assert declaration is not None

    async def collect() -> list[Cue | Reading]:
        found: list[Cue | Reading] = []
        async with WorkerPool() as pool:
            taken = pool.take(probe, settings, "local", declaration=declaration, deadline=deadline)
            async with aclosing(taken) as given:
                async for one in given:
                    found.append(one)
                    if isinstance(one, Cue):
                        await anyio.sleep(shown_after)
        return found

    try:
        return anyio.run(collect, backend=backend)
    except BaseExceptionGroup as group:
        raise group.exceptions[0] from None


@pytest.mark.parametrize("backend", ["asyncio", "trio"])
def test_the_probe_waits_until_its_cue_is_shown_and_that_is_not_of_its_deadline(backend: str) -> None:
    *cues, reading = take("depot.asks", {}, shown_after=0.6, deadline=1.0, backend=backend)
    assert cues == [Cue(say="Press it", wait=True), Cue(say="Press it")]
    assert isinstance(reading, Reading) and isinstance(reading.value, float) and reading.value >= 1.2


@pytest.mark.parametrize(
    ("probe", "settings", "words"),
    [
        ("depot.asks_unsaid", {}, "without declaring cues"),
        ("depot.asks", {"say": "\x1b[2J"}, "words that cannot be shown"),
        ("depot.asks", {"say": "x" * 501}, "words that cannot be shown"),
        ("depot.asks", {"say": " "}, "words that cannot be shown"),
        ("depot.asks", {"times": 1001}, "more than 1000 actions"),
    ],
)
def test_cues_that_nobody_should_see(probe: str, settings: dict[str, Any], words: str) -> None:
    with pytest.raises(BenchFault, match=words):
        take(probe, settings)


@pytest.mark.parametrize("packed", [None, {}, {"say": 1, "wait": True}, {"say": "x", "wait": 1}, ["say", "wait"]])
def test_what_is_no_cue_is_refused(packed: object) -> None:
    with pytest.raises(WireError):
        unpack_step({"cue": packed})
