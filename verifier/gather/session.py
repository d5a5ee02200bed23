"""One sitting at a run: from opening the workers to the moment it may be sealed, or pauses."""

from __future__ import annotations

import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import anyio

from verifier.declare.quarantine import charging
from verifier.declare.suite import Check
from verifier.errors import VerifierError
from verifier.gather.acts import Wish, act, refuse_bad
from verifier.gather.catalogue import ProbeCatalogue, load_catalogue
from verifier.gather.earlier_quarantine import FindQuarantine, reason_to_go_on
from verifier.gather.engine import Engine, Watcher
from verifier.gather.hosts import Access, Reaching, facts, open_host, reach_again
from verifier.gather.instruments.services import INSTRUMENTS
from verifier.gather.instruments.sitting import instruments_for
from verifier.gather.journal import Journal
from verifier.gather.ladder import failed_rung
from verifier.gather.prompts.question import Asker
from verifier.gather.prompts.terminal import PauseWanted
from verifier.gather.state import RunState
from verifier.gather.taking import Taker
from verifier.gather.virtual_time import backend_options
from verifier.gather.workers import WorkerPool
from verifier.readings import Judge, Outcome, Person, Stage, StopRule
from verifier.services import Host

if TYPE_CHECKING:
    from verifier.gather.simulated import SimulatedHost


@dataclass(frozen=True, slots=True)
class ReviewAnswer:
    """What the technician wants after seeing how things stand: go on (to the next stage, or to seal), do something
    first, or leave the run open."""

    choice: Literal["go-on", "act", "later"]
    wish: Wish | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sitting:
    """How a run is worked on this time: who answers, who watches, what to do first, how far to go."""

    asker_for: Callable[[Host], Asker]
    """Who answers at this host: behind a simulated one that may be its own scripted technician."""
    watcher: Watcher
    person: Callable[[], Awaitable[Person]]
    """Who does the acts; asked when there is one."""
    wishes: Sequence[Wish] = ()
    """Acts to do first."""
    only: Stage | None = None
    """Take this stage alone and pause if others are left."""
    between: Callable[[RunState, Stage], Awaitable[ReviewAnswer]] | None = None
    """Asked before a later stage begins."""
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
    catalogue: ProbeCatalogue | None = None,
    stop_rule: StopRule[Check] | None = None,
    earlier: FindQuarantine | None = None,
) -> str:
    """Work until nothing is pending. Empty text: the run may be sealed; else the reason why it paused.

    `outlook` says what the disposition would be now; `access` is what the station brings to reach a unit;
    `instruments` is the folder in which its instruments are described; `catalogue` are the probes, where they
    have been loaded before; `stop_rule` says whether a probe that may end early has enough; `earlier` finds
    the run in which the unit was quarantined before, where that is to be told.
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
            catalogue or load_catalogue(),
            stop_rule,
            earlier,
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
    catalogue: ProbeCatalogue,
    stop_rule: StopRule[Check] | None,
    earlier: FindQuarantine | None,
) -> str:
    reason = ""

    def append(kind: str, data: Mapping[str, Any]) -> None:
        engine.append(kind, data)

    host = open_host(state.at, journal.clocks, state.simulation, access)
    asker = _asker(sitting, host, state)
    bench_instruments = instruments_for(
        state.plan.suite,
        # Nothing real is ever switched on for a simulated unit.
        simulated.instruments() if (simulated := _simulated(host, state)) else instruments,
        catalogue,
        journal.clocks,
        asker,
        append,
        resumed=bool(state.interruptions),
    )
    async with (
        _reached(host, needed=state.quarantined is None),
        _taker(state, host, catalogue) as taker,
        bench_instruments as bench,
        anyio.create_task_group() as group,
    ):
        engine = Engine(
            state=state,
            journal=journal,
            judge=judge,
            stop_rule=stop_rule,
            catalogue=catalogue,
            taker=taker,
            asker=asker,
            watcher=sitting.watcher,
            instruments=bench.taker if bench else None,
            make_safe=bench.all_safe if bench else None,
            away=_Away(host) if isinstance(host, Reaching) else None,
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
                if state.quarantined is None:
                    await _identify(engine, host)
                    if earlier is not None:
                        await reason_to_go_on(engine, asker, earlier)
                reason = await _work(engine, sitting, outlook)
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
        reason += _still_dangerous(state, catalogue)
        engine.append("paused", {"why": reason})
    return reason


def _still_dangerous(state: RunState, catalogue: ProbeCatalogue) -> str:
    """What to know of a unit whose check was not ended: its own charger goes on charging the battery, for nothing
    of the bench ends that; what was heated is hot still."""
    for check in state.plan.suite.checks:
        declaration = catalogue.declaration(check.probe) if check.probe else None
        if declaration is None or state.open_attempt(check.id) is None:
            continue
        if charging(check, catalogue) and INSTRUMENTS not in declaration.services:
            return f"; pull the charger's plug now, “{check.title}” was not ended"
        if declaration.energises == "heats":
            return f"; the load is off, the unit may still be hot, “{check.title}” was not ended"
    return ""


def _asker(sitting: Sitting, host: Host, state: RunState) -> Asker:
    asker = sitting.asker_for(host)
    simulated = _simulated(host, state)
    if simulated is None:
        return asker
    from verifier.gather.simulated import Hands

    hands = Hands(asker, simulated)
    hands.remember(list(state.counting_attempts().values()))
    return hands


@asynccontextmanager
async def _reached(host: Host, *, needed: bool) -> AsyncIterator[None]:
    """The one connection to a unit that has to be reached, for as long as the sitting lasts."""
    if not needed or not isinstance(host, Reaching):
        yield
        return
    try:
        await host.start()
        yield
    finally:
        with anyio.CancelScope(shield=True):
            await host.aclose()


@dataclass(frozen=True, slots=True)
class _Away:
    """A unit that is let go while the technician switches it off and on."""

    host: Reaching

    async def leave(self) -> None:
        await self.host.aclose()

    async def reach_again(self, seconds: float) -> None:
        await reach_again(self.host, seconds)


def _taker(state: RunState, host: Host, catalogue: ProbeCatalogue) -> AbstractAsyncContextManager[Taker]:
    """Probes run in workers; behind a simulated host in this process, where they share its time."""
    reached = host if isinstance(host, Reaching) else None
    if state.simulation is None:
        return WorkerPool(reached)
    from verifier.gather.simulated import SimulatedTaker

    return nullcontext(SimulatedTaker(host, catalogue))


def _simulated(host: Host, state: RunState) -> SimulatedHost | None:
    """The host of a simulated run as what it is. Loading what simulates takes a while: only where it is wanted."""
    if state.simulation is None:
        return None
    from verifier.gather.simulated import SimulatedHost

    return host if isinstance(host, SimulatedHost) else None


async def _work(engine: Engine, sitting: Sitting, outlook: Callable[[RunState], Outcome]) -> str:
    state = engine.state
    wishes = list(sitting.wishes)
    while True:
        for wish in wishes:
            act(engine, wish, await sitting.person())
        if (reason := await _take_pending(engine, sitting)) or (reason := _left(state)):
            return reason
        if sitting.review is None:
            return ""
        answer = await sitting.review(state, outlook(state))
        if answer.choice == "later":
            return "left open at the review"
        if answer.wish is None:
            return ""
        refuse_bad(state, [answer.wish])
        wishes = [answer.wish]


async def _identify(engine: Engine, host: Host) -> None:
    """What the host is, and whether it is the right unit."""
    if not engine.state.facts and "files" in host.services:
        found = await facts(host)
        if isinstance(host, Reaching) and host.fingerprint:
            found["host key"] = host.fingerprint
        engine.append("facts", {"facts": found})
    await engine.identify()


async def _take_pending(engine: Engine, sitting: Sitting) -> str:
    """Take what is pending, stage by stage. Why it paused in between, if it did."""
    state = engine.state
    for stage in Stage if sitting.only is None else [sitting.only]:
        if state.quarantined is not None:
            await engine.run(tuple(Stage))  # which settles what is left, and asks nobody
            return ""
        if not state.pending([stage]):
            continue
        begun = any(state.counting(c.id) for c in state.plan.suite.checks if c.stage is not stage)
        ask = sitting.between if failed_rung(state) is None else None  # of a dead unit nothing more is made
        if ask and begun and stage not in state.begun:
            answer = await ask(state, stage)
            if answer.choice == "later":
                return f"before the stage {stage.value}"
            if answer.wish is not None:
                refuse_bad(state, [answer.wish])
                act(engine, answer.wish, await sitting.person())
                return await _take_pending(engine, sitting)  # what that set aside belongs to a stage before
        await engine.run([stage])
        if engine.pause is not None:
            return engine.pause.why
    return ""


def _left(state: RunState) -> str:
    """Why the run pauses where not all of it was to be taken now."""
    left = len(state.pending())
    return f"{left} {'check' if left == 1 else 'checks'} of other stages still to be taken" if left else ""


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
