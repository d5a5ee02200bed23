"""One sitting at a run: from opening the workers to the moment it may be sealed, or pauses."""

from __future__ import annotations

import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import anyio

from verifier.declare.suite import Check
from verifier.errors import VerifierError
from verifier.gather.acts import Wish, act, refuse_bad
from verifier.gather.catalogue import ProbeCatalogue, load_catalogue
from verifier.gather.engine import Engine, Taker, Watcher
from verifier.gather.hosts import Access, Reaching, facts, open_host
from verifier.gather.instruments.sitting import instruments_for
from verifier.gather.journal import Journal
from verifier.gather.ladder import failed_rung
from verifier.gather.prompts.question import Asker
from verifier.gather.prompts.terminal import PauseWanted
from verifier.gather.simulated import SimulatedTaker
from verifier.gather.state import RunState
from verifier.gather.virtual_time import backend_options
from verifier.gather.workers import WorkerPool
from verifier.readings import Judge, Outcome, Person, Stage
from verifier.services import Host


@dataclass(frozen=True, slots=True)
class ReviewAnswer:
    """What the technician wants after seeing the outcome: seal it, do something first, or leave it open."""

    choice: Literal["seal", "act", "later"]
    wish: Wish | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sitting:
    """How a run is worked on this time: who answers, who watches, what to do first, how far to go."""

    asker: Asker
    watcher: Watcher
    person: Callable[[], Awaitable[Person]]
    """Who does the acts; asked when there is one."""
    wishes: Sequence[Wish] = ()
    """Acts to do first."""
    only: Stage | None = None
    """Take this stage alone and pause if others are left."""
    between: Callable[[Stage], Awaitable[bool]] | None = None
    """Asked before a later stage begins; False pauses."""
    review: Callable[[RunState, Outcome], Awaitable[ReviewAnswer]] | None = None
    """Asked when nothing is pending, before sealing."""


def sit(
    state: RunState,
    journal: Journal,
    sitting: Sitting,
    *,
    judge: Judge[Check],
    outlook: Callable[[RunState], Outcome],
    access: Access | None = None,
    instruments: Path | None = None,
) -> str:
    """Work until nothing is pending. Empty text: the run may be sealed; else the reason why it paused.

    `outlook` says what the disposition would be now; `access` is what the station brings to reach a unit;
    `instruments` is the folder in which its instruments are described.
    Raises what a person has to know about.
    A simulated run works in virtual time: on the loop of the journal's own clocks.
    """
    refuse_bad(state, list(sitting.wishes))
    try:
        return anyio.run(
            _sit,
            state,
            journal,
            sitting,
            judge,
            outlook,
            access,
            instruments,
            backend_options=backend_options(journal.clocks),
        )
    except BaseExceptionGroup as group:
        raise _one_of(group) from None


async def _sit(
    state: RunState,
    journal: Journal,
    sitting: Sitting,
    judge: Judge[Check],
    outlook: Callable[[RunState], Outcome],
    access: Access | None,
    instruments: Path | None,
) -> str:
    reason = ""

    def append(kind: str, data: Mapping[str, Any]) -> None:
        engine.append(kind, data)

    host, catalogue = open_host(state.at, journal.clocks, state.simulation, access), load_catalogue()
    bench_instruments = instruments_for(
        state.plan.suite,
        instruments,
        catalogue,
        journal.clocks,
        sitting.asker,
        append,
        resumed=bool(state.interruptions),
    )
    async with (
        _reached(host),
        _taker(state, host, catalogue) as taker,
        bench_instruments as bench,
        anyio.create_task_group() as group,
    ):
        engine = Engine(
            state=state,
            journal=journal,
            judge=judge,
            catalogue=catalogue,
            taker=taker,
            asker=sitting.asker,
            watcher=sitting.watcher,
            instruments=bench.taker if bench else None,
        )
        work = anyio.CancelScope()

        async def watch_signals() -> None:
            nonlocal reason
            with anyio.open_signal_receiver(signal.SIGINT, signal.SIGTERM) as signals:
                async for number in signals:
                    reason = "Ctrl-C" if number == signal.SIGINT else "asked to end"
                    work.cancel()
                    return

        group.start_soon(watch_signals)
        with work:
            try:
                if bench is not None and state.interruptions:
                    await bench.start()
                reason = await _work(engine, host, sitting, outlook)
            except PauseWanted:
                reason = "the technician paused"
            except BaseExceptionGroup as several:
                if several.subgroup(PauseWanted) is None:
                    raise
                reason = "the technician paused"
        if bench is not None:
            await bench.rest(f"pause: {reason}" if reason else "end of the run")
        group.cancel_scope.cancel()
    if reason:
        engine.append("paused", {"why": reason})
    return reason


@asynccontextmanager
async def _reached(host: Host) -> AsyncIterator[None]:
    """The one connection to a unit that has to be reached, for as long as the sitting lasts."""
    if not isinstance(host, Reaching):
        yield
        return
    try:
        await host.start()
        yield
    finally:
        with anyio.CancelScope(shield=True):
            await host.aclose()


def _taker(state: RunState, host: Host, catalogue: ProbeCatalogue) -> AbstractAsyncContextManager[Taker]:
    """Probes run in workers; behind a simulated host in this process, where they share its time."""
    reached = host if isinstance(host, Reaching) else None
    return WorkerPool(reached) if state.simulation is None else nullcontext(SimulatedTaker(host, catalogue))


async def _work(engine: Engine, host: Host, sitting: Sitting, outlook: Callable[[RunState], Outcome]) -> str:
    state = engine.state
    if not state.facts and "files" in host.services:
        found = await facts(host)
        if isinstance(host, Reaching) and host.fingerprint:
            found["host key"] = host.fingerprint
        engine.append("facts", {"facts": found})
    await engine.identify()
    wishes = list(sitting.wishes)
    while True:
        for wish in wishes:
            act(engine, wish, await sitting.person())
        for stage in Stage if sitting.only is None else [sitting.only]:
            if not state.pending([stage]):
                continue
            begun = any(state.counting(c.id) for c in state.plan.suite.checks if c.stage is not stage)
            ask = sitting.between if failed_rung(state) is None else None  # of a dead unit nothing more is made
            if ask and begun and stage not in state.begun and not await ask(stage):
                return f"before the stage {stage.value}"
            await engine.run([stage])
        if left := len(state.pending()):
            return f"{left} {'check' if left == 1 else 'checks'} of other stages still to be taken"
        if sitting.review is None:
            return ""
        answer = await sitting.review(state, outlook(state))
        if answer.choice == "later":
            return "left open at the review"
        if answer.choice == "seal" or answer.wish is None:
            return ""
        refuse_bad(state, [answer.wish])
        wishes = [answer.wish]


def _one_of(group: BaseExceptionGroup[BaseException]) -> BaseException:
    """The error that a person has to know about, out of what a task group collected."""
    found: list[BaseException] = []

    def collect(error: BaseException) -> None:
        if isinstance(error, BaseExceptionGroup):
            for inner in error.exceptions:
                collect(inner)
        else:
            found.append(error)

    collect(group)
    ours = [e for e in found if isinstance(e, VerifierError)]
    return (ours or found)[0]
