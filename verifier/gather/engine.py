"""Takes the readings of a plan: starts each check when it may, journals all it sees, asks the judge.

1. A check may start when all it comes `after` have passed, all of `once_done` is over, and the resources it needs
   are free.
2. Independent checks overlap. There is one technician, so one prompt is open at a time.
3. Where something it comes after did not pass, it is not run, with that reason.
4. Stages follow each other; a check of a later stage waits until the earlier ones are done.
5. What has a finding is never taken again, unless a person set it aside.
6. A check that takes the unit away (`cycles` with something to do in between) runs alone.
7. When a check that quarantines fails, all that runs is ended, everything is made safe, and nothing else is run.
8. Where the complaint is that the unit does not start, the suite's ladder comes before all else (`ladder`).

The engine keeps no state of its own: all it knows is in the journal, through `RunState`.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal, Protocol

import anyio

from verifier.declare.quarantine import prerequisites
from verifier.declare.stand_ins import spared, stood_in_for
from verifier.declare.suite import Check
from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.cycles import take_cycles
from verifier.gather.identifying import identify
from verifier.gather.instruments.services import INSTRUMENTS, energises, instruments_of
from verifier.gather.journal import Journal
from verifier.gather.ladder import failed_rung, held_by_ladder, rungs_left, where_to_look
from verifier.gather.prompts.question import Asker
from verifier.gather.state import RunState, to_json
from verifier.gather.taking import BENCH, Paused, Taker, Taking
from verifier.readings import (
    Answer,
    Catalogue,
    Finding,
    Judge,
    Reading,
    Stage,
    StopRule,
    Verdict,
)
from verifier.steps import Cue, Pause

TECHNICIAN = "technician"
"""The resource that every prompt needs, and every probe that gives cues."""
CONSOLE = "console"
"""The service of a unit that is asked over a serial line, and the resource of whoever asks."""
ALONE = "the unit to itself"
"""The resource of a check beside which nothing else may run; no suite can name it so."""
UNIT_QUARANTINED = "the unit is quarantined"
"""Why a check is not run once the unit is."""
SOON, STARTING = 5.0, 180.0
"""Seconds that a unit may take to be there again after the technician said that it is on: until that is said, and
until it is given up."""
MAX_PROBES = 4
"""Probes that run at the same time at the most."""


class Watcher(Protocol):
    """Whoever shows the progress of a run."""

    def stage(self, stage: Stage, checks: int) -> None: ...

    def began(self, check: Check) -> None: ...

    def ended(self, check: Check, finding: Finding) -> None: ...

    def cycle(self, check: Check, number: int, finding: Finding) -> None: ...

    def looked(self, check: Check, words: str) -> None:
        """A probe that may end early has looked and goes on; `words` say what it knows so far."""
        ...

    def quarantined(self, check: Check, finding: Finding, unsafe: Mapping[str, str]) -> None:
        """The unit was quarantined; `unsafe` is what could not be made safe, with the reason."""
        ...


class Away(Protocol):
    """Lets go of a unit that is about to be switched off, and reaches it again."""

    async def leave(self) -> None: ...

    async def reach_again(self, seconds: float) -> None:
        """BenchFault when it is not there in so many seconds."""
        ...


class Engine:
    """Works through the checks of one run."""

    def __init__(
        self,
        *,
        state: RunState,
        journal: Journal,
        judge: Judge[Check],
        catalogue: Catalogue,
        taker: Taker,
        asker: Asker,
        watcher: Watcher,
        stop_rule: StopRule[Check] | None = None,
        instruments: Taker | None = None,
        make_safe: Callable[[str], Awaitable[Mapping[str, str]]] | None = None,
        away: Away | None = None,
    ) -> None:
        """`stop_rule` says whether a probe that may end early has enough; without one none does.
        `make_safe` commands every instrument safe, gives what is not, and never raises for it."""
        self.state, self._journal = state, journal
        self._judge, self._catalogue, self._taker = judge, catalogue, taker
        self._asker, self._watcher = asker, watcher
        self._taking = Taking(
            state,
            self.append,
            catalogue,
            taker,
            asker,
            judge=judge,
            instruments=instruments,
            stop_rule=stop_rule,
            looked=watcher.looked,
            clocks=journal.clocks,
        )
        self._make_safe, self._away = make_safe, away
        self._prerequisites = prerequisites(state.plan.suite)
        self._running: dict[str, frozenset[str]] = {}
        self._scopes: dict[str, anyio.CancelScope] = {}
        self.pause: Pause | None = None
        """Why the run has to pause now; nothing more is started."""
        self._changed = anyio.Event()

    def append(self, kind: str, data: Mapping[str, Any]) -> None:
        """Journal an event, then let the state take it in: never the other way round."""
        self.state.apply(self._journal.append(kind, data))

    async def identify(self) -> None:
        """Which unit it is, at start and at each resume. Raises WrongUnit; what each source said is journalled."""
        await identify(self, self._catalogue, self._taker, self._asker)

    # ---- checks -------------------------------------------------------------------------------

    async def run(self, stages: Sequence[Stage]) -> None:
        """Take every pending check of these stages, in the order of the stages; the ladder before any of them."""
        if self.state.quarantined is not None:
            self._settle_quarantine()
        if Stage.ARRIVAL not in stages and (rungs := rungs_left(self.state)):
            self._watcher.stage(Stage.ARRIVAL, len(rungs))
            await self._run_checks(rungs)
        for stage in stages:
            if not self.state.pending([stage]) or self.pause is not None:
                continue
            # Of a dead unit nothing is made in later stages: what is seen while it is open can still be asked.
            if stage not in self.state.begun and failed_rung(self.state) is None:
                self.append("stage", {"stage": stage.value})
            self._watcher.stage(stage, len(self.state.pending([stage])))
            await self._run_checks(self.state.pending([stage]))

    async def _run_checks(self, checks: Sequence[Check]) -> None:
        # What the run paused for goes on before anything else looks at the unit.
        waiting = {check.id: check for check in sorted(checks, key=lambda c: not self.state.paused_for(c.id))}
        async with anyio.create_task_group() as group:
            while True:
                self._start_what_can(waiting, group.start_soon)
                if not self._running:
                    return
                await self._changed.wait()
                self._changed = anyio.Event()

    def _start_what_can(self, waiting: dict[str, Check], start: Callable[..., object]) -> None:
        """Start or settle what can be; `waiting` are the checks that are neither, in the suite's order.

        Called whenever a check ends, so what is looked at for each waiting check is kept little.
        """
        if self.state.quarantined is not None:
            if not self._running:
                self._settle_quarantine()
                waiting.clear()
            return
        probes = sum(TECHNICIAN not in used for used in self._running.values())
        busy = set().union(*self._running.values())
        if self.pause is not None:
            return
        progress = True
        while progress:
            progress = False
            for check in list(waiting.values()):
                full = check.probe is not None and probes >= MAX_PROBES
                if full and not check.after:
                    continue
                blocked = self._blocked_by(check)
                if blocked is None:
                    continue  # something it comes after is still to be taken
                if blocked:
                    del waiting[check.id]
                    self._begin(check)
                    self._end(check, blocked)
                    progress = True  # what comes after this one can be decided now
                    continue
                resources = self._resources(check)
                alone = ALONE in busy or (ALONE in resources and self._running)
                if full or resources & busy or alone:
                    continue
                del waiting[check.id]
                self._running[check.id] = resources
                probes += TECHNICIAN not in resources
                busy |= resources
                answered = check.prompt is not None and self._all_answered(check)
                if answered:
                    # Killed between the answer and its finding: the person is not asked twice.
                    self._watcher.began(check)
                else:
                    # Here, not in its task: in which order tasks get going is the event loop's own affair.
                    self._begin(check)
                start(self._take, check, answered)

    def _blocked_by(self, check: Check) -> Finding | Literal[False] | None:
        """The finding of a check that cannot be run; False when it may start; None while unknown."""
        held = held_by_ladder(self.state, check)
        if held is not False:
            return held
        waiting = False
        if check.instead_of is not None:
            original = self.state.counting(check.instead_of)
            if original is None or original.finding is None:
                return None
            if reason := spared(self.state.plan.suite, check, original.finding):
                return Finding(verdict=Verdict.NOT_RUN, reason=reason, not_needed=True)
        for name in self._prerequisites[check.id]:
            earlier = self.state.counting(name)
            if earlier is None or earlier.finding is None:
                waiting = True
                continue
            if self.state.plan.suite.check(name).quarantines and any(a.from_memory for a in earlier.answers):
                title = self.state.plan.suite.check(name).title
                return Finding(
                    verdict=Verdict.NOT_RUN, reason=f"comes after “{title}”, which was answered from memory"
                )
            if earlier.finding.verdict not in (Verdict.PASS, None):
                title = self.state.plan.suite.check(name).title
                gone = earlier.finding.not_fitted
                state = "is not fitted" if gone else _AFTERWARDS[earlier.finding.verdict]
                return Finding(
                    verdict=Verdict.NOT_RUN,
                    reason=f"comes after “{title}”, which {state}",
                    # What cannot be there without the other is not fitted either, where the suite allows it.
                    not_fitted=gone and check.if_absent == "not-fitted",
                )
        others = (self.state.counting(name) for name in check.once_done)
        waiting = waiting or any(other is None or other.finding is None for other in others)
        return None if waiting else False

    def _resources(self, check: Check) -> frozenset[str]:
        declaration = self._catalogue.declaration(check.probe) if check.probe else None
        own = {TECHNICIAN} if check.prompt or (declaration is not None and declaration.cues) else set()
        if check.cycles is not None and check.cycles.by_hand:
            own |= {TECHNICIAN, ALONE}  # the unit is switched off, or turned over, while it lasts
        if declaration is not None and declaration.pauses:
            own |= {TECHNICIAN, ALONE}
        if declaration is not None and declaration.consults:
            own.update(instruments_of(check.settings))
        if declaration is not None and CONSOLE in declaration.services:
            own.add(CONSOLE)  # one line: what one check switches on must not be what another one reads
        if declaration is not None and INSTRUMENTS in declaration.services:
            own.update(instruments_of(check.settings))  # whether the suite's author named them or not
            if self.state.interruptions and energises(declaration, check.settings):
                own.add(TECHNICIAN)  # who is asked whether hands are clear
        if declaration is not None:
            own.update(declaration.holds)
        return frozenset(check.needs) | own

    def _begin(self, check: Check) -> None:
        if (unfinished := self.state.open_attempt(check.id)) is not None and unfinished.cycles:
            self._watcher.began(check)  # it goes on: no cycle that has ended is taken again
            return
        if unfinished is not None and unfinished.paused:
            self.append("check-went-on", {"check": check.id})
            self._watcher.began(check)
            return
        if unfinished is not None:
            self.append("set-aside", {"check": unfinished.check, "why": "interrupted before it was finished"})
        self.append(
            "check-began",
            {"check": check.id, "stage": check.stage.value, "host": self._taking.host_of(check)},
        )
        self._watcher.began(check)

    def _end(self, check: Check, finding: Finding) -> None:
        if finding.verdict is Verdict.NOT_RUN and stood_in_for(self.state.plan.suite, check):
            finding = replace(finding, not_needed=True)
        self.append("finding", {"check": check.id, "finding": to_json(finding)})
        self._watcher.ended(check, finding)

    async def _take(self, check: Check, answered: bool) -> None:
        finding: Finding | None = None
        with anyio.CancelScope() as scope:
            self._scopes[check.id] = scope
            try:
                finding = where_to_look(self.state, check, await self._found(check, answered))
            except Paused as paused:
                self.pause = paused.pause
        del self._scopes[check.id]
        if finding is not None and self.state.open_attempt(check.id) is not None:
            self._end(check, finding)
            if check.quarantines and finding.verdict is Verdict.FAIL:
                await self._quarantine(check, finding)
        del self._running[check.id]
        self._changed.set()

    async def _found(self, check: Check, answered: bool) -> Finding:
        try:
            if check.cycles is not None:
                cycles = await take_cycles(self, check)
                return cycles if isinstance(cycles, Finding) else self._judge.of_cycles(check, cycles)
            if not answered:
                await self._taking.readings(check)
            return self.judged(check, 0)
        except (Absent, NotPossible, BenchFault) as error:
            return self.unjudged(check, error)

    def judged(self, check: Check, first_take: int) -> Finding:
        """What the takes from that one on are worth."""
        attempt = self.state.open_attempt(check.id)
        return self._judge(check, attempt.takes[first_take:] if attempt else ())

    def unjudged(self, check: Check, error: Absent | NotPossible | BenchFault) -> Finding:
        """The finding where no reading was to be had."""
        if isinstance(error, Absent):
            return self._absent(check, error)
        verdict = Verdict.NOT_RUN if isinstance(error, NotPossible) else Verdict.BENCH_ERROR
        return Finding(verdict=verdict, reason=error.what, to_do=error.to_do)

    # ---- quarantine ---------------------------------------------------------------------------

    async def _quarantine(self, check: Check, finding: Finding) -> None:
        """End all that runs and make everything safe; what is left is settled when nothing runs any more."""
        for scope in self._scopes.values():
            scope.cancel()
        with anyio.CancelScope(shield=True):
            unsafe = await self._make_safe(UNIT_QUARANTINED) if self._make_safe else {}
        self._watcher.quarantined(check, finding, unsafe)

    def _settle_quarantine(self) -> None:
        """Nothing more is run, at any stage. What was ended in the middle keeps its readings."""
        for check in self.state.pending():
            finding = Finding(verdict=Verdict.NOT_RUN, reason=UNIT_QUARANTINED)
            if self.state.open_attempt(check.id) is not None:
                self._end(check, replace(finding, reason=f"ended, because {UNIT_QUARANTINED}"))
                continue
            data = {"check": check.id, "stage": check.stage.value, "host": ""}
            self.append("check-began", data)
            self.append("finding", {"check": check.id, "finding": to_json(finding)})

    # ---- cycles -------------------------------------------------------------------------------

    async def by_hand(self, check: Check, number: int, act: str) -> None:
        """Have the technician do something to the unit before a cycle; it may be switched off meanwhile."""
        cycles = check.cycles
        away = self._away if cycles is not None and cycles.between else None
        if away is not None:
            await away.leave()
        of = f"cycle {number} of {cycles.number}" if cycles is not None else ""
        title = f"{check.title}: {of}"
        await self._taking.cue(check, Cue(say=act, wait=True), title)
        if away is not None:
            try:
                await away.reach_again(SOON)
            except BenchFault:
                say = f"The unit does not answer yet. It is waited for, {STARTING / 60:g} minutes at the most."
                await self._taking.cue(check, Cue(say=say), title)
                await away.reach_again(STARTING)

    async def take_once(self, check: Check, number: int) -> Finding:
        """Take and judge one cycle."""
        attempt = self.state.open_attempt(check.id)
        first = len(attempt.takes) if attempt else 0
        await self._taking.readings(check, first, (number - 1) * check.takes)
        return self.judged(check, first)

    def cycle_ended(self, check: Check, number: int, finding: Finding) -> None:
        self._watcher.cycle(check, number, finding)

    # ---- findings -----------------------------------------------------------------------------

    def record_answers(self, check: Check, answer: Answer, reading: Reading) -> None:
        """A whole attempt from one answer that was not asked for: a correction. Stands for every repeat."""
        self._begin(check)
        for take in range(check.takes):
            self._taking.journal_answer(check, take, answer, reading)
        self._end(check, self._judge(check, ((reading,),) * check.takes))

    def _all_answered(self, check: Check) -> bool:
        attempt = self.state.open_attempt(check.id)
        return (
            attempt is not None
            and not attempt.cycles
            and len(attempt.answers) == check.takes == len(attempt.takes)
        )

    def _absent(self, check: Check, error: Absent) -> Finding:
        if check.seen_from == BENCH:
            # What the bench itself has not is no fault of the unit.
            return Finding(verdict=Verdict.BENCH_ERROR, reason=f"at the bench: {error.what}", to_do=error.to_do)
        attempt = self.state.open_attempt(check.id)
        if attempt is not None and len(attempt.takes) > 0:
            reason = f"was there at first, then no more: {error.what}"
            return Finding(verdict=Verdict.FAIL, reason=reason, absent=True, to_do=error.to_do)
        if check.if_absent == "not-fitted":
            return Finding(
                verdict=Verdict.NOT_RUN, reason=f"not fitted: {error.what}", absent=True, not_fitted=True
            )
        return Finding(verdict=Verdict.FAIL, reason=error.what, absent=True, to_do=error.to_do)


_AFTERWARDS = {
    Verdict.FAIL: "failed",
    Verdict.INCONCLUSIVE: "is inconclusive",
    Verdict.NOT_RUN: "was not run",
    Verdict.BENCH_ERROR: "met a bench error",
}
