"""What else a probe in a worker may want: a typed answer, a reading of an instrument, a pause."""

from collections.abc import Callable
from contextlib import aclosing
from pathlib import Path
from typing import Any

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import BenchFault
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.workers import WorkerPool, run_probe
from verifier.gather.workers.wire import WireError, pack_step, take_in, unpack_step
from verifier.readings import Reading, SoFar
from verifier.steps import Ask, Consult, Cue, Pause, Step


@pytest.fixture(autouse=True)
def cueing(install: Callable[[Path, str], None]) -> None:
    install(Path(__file__).with_name("cueing.py"), "cueing-probes")


def take(what: str, so_far: SoFar | None = None) -> list[Step]:
    declaration = load_catalogue().declaration("depot.wants")
    assert declaration is not None

    async def collect() -> list[Step]:
        found: list[Step] = []
        async with WorkerPool() as pool:
            settings = {"what": what}
            taken = pool.take(
                "depot.wants", settings, "local", declaration=declaration, deadline=20.0, so_far=so_far
            )
            async with aclosing(taken) as steps:
                async for step in steps:
                    found.append(step)
                    if isinstance(step, Ask):
                        step.answer = "600"
                    if isinstance(step, Consult):
                        step.given, step.boot = Reading(name="value", value=1.5, unit="s"), 7.0
        return found

    try:
        return anyio.run(collect)
    except BaseExceptionGroup as group:
        raise group.exceptions[0] from None


def test_an_answer_and_a_consulted_reading_reach_the_probe() -> None:
    ask, got = take("ask")
    assert isinstance(ask, Ask) and (ask.say, ask.hint) == ("How long?", "seconds")
    assert isinstance(got, Reading) and got.value == "600"
    consult, got = take("consult")
    assert isinstance(consult, Consult) and consult.instrument == "clock"
    assert isinstance(got, Reading) and got.value == "1.5 s"


def test_a_pause_ends_the_take_and_another_process_goes_on_with_what_was_given() -> None:
    assert take("pause") == [Pause(why="away", say="Pull it", seconds=5.0)]
    before = SoFar(readings=(Reading(name="before", value=3.25, unit="s"),))
    (got,) = take("pause", so_far=before)
    assert isinstance(got, Reading) and got.value == "before=3.25"


@pytest.mark.parametrize(
    ("what", "probe", "words"),
    [
        ("ask", "depot.wants_unsaid", "without declaring cues"),
        ("consult", "depot.wants_unsaid", "an instrument without declaring it"),
        ("pause", "depot.wants_unsaid", "pause without declaring it"),
        ("bad pattern", "depot.wants", "no pattern describes"),
        ("pause and go on", "depot.wants", "goes on although it let the run pause"),
    ],
)
def test_what_a_probe_may_not_want(what: str, probe: str, words: str) -> None:
    with pytest.raises(BenchFault, match=words):
        take_here(probe, {"what": what})


def test_a_probe_that_knows_no_pause_is_not_gone_on_with() -> None:
    with pytest.raises(BenchFault, match="does not go on after a pause"):
        take_here("depot.asks", {}, SoFar(readings=()))


def take_here(probe: str, settings: dict[str, Any], so_far: SoFar | None = None) -> None:
    """In this process: what is held against the declaration is the same on both sides."""

    async def collect() -> None:
        clocks = RealClocks()
        async for _ in run_probe(load_catalogue().probe(probe), open_host("local", clocks), settings, so_far):
            pass

    anyio.run(collect)


TEXT = st.text(max_size=40)


@given(
    st.one_of(
        st.builds(Cue, say=TEXT, wait=st.booleans()),
        st.builds(Ask, say=TEXT, pattern=TEXT, hint=TEXT, about=TEXT),
        st.builds(Consult, probe=TEXT, instrument=TEXT),
        st.builds(Pause, why=TEXT, say=TEXT, seconds=st.floats(0, 1e6)),
    )
)
def test_steps_come_through_as_they_are(step: Step) -> None:
    assert unpack_step(pack_step(step)) == step


@pytest.mark.parametrize(
    "message",
    [{"ask": {"say": "x"}}, {"ask": None}, {"consult": {"probe": 1, "instrument": "x"}}, {"consult": []},
     {"pause": {"why": "x", "say": "y", "seconds": "5"}}, {"pause": {}}],
)  # fmt: skip
def test_what_is_no_step_is_refused(message: dict[str, Any]) -> None:
    with pytest.raises(WireError):
        unpack_step(message)


@pytest.mark.parametrize("message", [{}, {"shown": None}, {"shown": 5}, {"shown": True}])
def test_a_probe_never_goes_on_with_an_answer_that_is_none(message: dict[str, Any]) -> None:
    for step in (Ask(say="x", pattern="x", hint="x"), Consult(probe="x", instrument="x")):
        with pytest.raises(WireError):
            take_in(step, message)
