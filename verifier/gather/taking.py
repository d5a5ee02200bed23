"""Takes the readings of one check: runs its probe or asks its question, and journals all that comes.

A probe may want more than to give readings: the technician's hands (`Cue`) or an answer (`Ask`), a reading of the
bench's instruments (`Consult`), to know whether it has enough (`Look`), or that the run stands still (`Pause`).
"""

from __future__ import annotations

import math
from collections.abc import AsyncGenerator, Callable, Mapping
from contextlib import aclosing
from dataclasses import replace
from functools import partial
from typing import Any, Protocol

import anyio

from verifier.declare.forecast import forecast_of
from verifier.declare.suite import Check
from verifier.errors import NotPossible
from verifier.gather.consulting import asked, consulted
from verifier.gather.from_order import OrderTaker
from verifier.gather.hosts.order import ORDER
from verifier.gather.instruments.services import INSTRUMENTS
from verifier.gather.prompts.question import Asker, Given, Question, question_of, reading_of
from verifier.gather.state import RunState, to_json
from verifier.readings import Answer, Catalogue, Judge, ProbeDeclaration, Reading, SoFar, StopRule, Verdict
from verifier.services import Clocks
from verifier.steps import Ask, Consult, Cue, Look, Pause, Step

BENCH = "bench"
"""Where a reading comes from that is taken on the bench computer, at the far end of the unit's cable."""


class Taker(Protocol):
    """Runs a probe and gives its readings: the worker pool, or a simulated host."""

    def take(
        self,
        probe: str,
        settings: Mapping[str, Any],
        host_address: str,
        *,
        declaration: ProbeDeclaration,
        deadline: float,
        so_far: SoFar | None = None,
    ) -> AsyncGenerator[Step]: ...


class Paused(Exception):
    """A probe lets the run pause."""

    def __init__(self, pause: Pause) -> None:
        super().__init__(pause.why)
        self.pause = pause


class Journalling(Protocol):
    """Journals an event, then lets the state take it in."""

    def __call__(self, kind: str, data: Mapping[str, Any]) -> None: ...


class Taking:
    """Takes readings for one run. `stop_rule` says whether a probe that may end early has enough; without one
    none does."""

    def __init__(
        self,
        state: RunState,
        append: Journalling,
        catalogue: Catalogue,
        taker: Taker,
        asker: Asker,
        *,
        judge: Judge[Check],
        instruments: Taker | None = None,
        stop_rule: StopRule[Check] | None = None,
        looked: Callable[[Check, str], None],
        clocks: Clocks,
    ) -> None:
        self._state, self._append, self._catalogue, self._taker = state, append, catalogue, taker
        self._asker, self._instruments, self._stop_rule = asker, instruments, stop_rule
        self._judge = judge
        self._looked, self._clocks = looked, clocks
        self._from_order: Taker = OrderTaker(state.plan)

    def host_of(self, check: Check) -> str:
        """Where its readings come from, as the record says it."""
        declaration = self._catalogue.declaration(check.probe) if check.probe else None
        if declaration is not None and ORDER in declaration.services:
            return ORDER
        if declaration is not None and INSTRUMENTS in declaration.services:
            return INSTRUMENTS
        if check.probe and check.seen_from == BENCH:
            return BENCH
        return self._state.at if check.probe else ""

    async def readings(self, check: Check, first: int = 0, asked: int = 0) -> None:
        """All takes of a check or of one of its cycles: `first` is the first one's place among those of the
        attempt, `asked` how many questions came before."""
        times = check.takes
        if check.probe is not None:
            declaration = self._catalogue.declaration(check.probe)
            if declaration is None:
                raise NotPossible(f"there is no probe {check.probe} at this station")
            with_deadline = check.timeout or declaration.timeout * times
            until = anyio.current_time() + with_deadline
            for take in range(times):
                deadline = until - anyio.current_time()
                left = deadline if math.isfinite(deadline) else 0.0
                await self._probe(check, declaration, first + take, left)
            return
        with anyio.move_on_after(check.timeout) as scope:
            for take in range(times):
                await self._ask(check, first + take, asked + take)
        if scope.cancelled_caught:
            raise NotPossible(f"nobody answered within {check.timeout:g} s")

    async def _probe(self, check: Check, declaration: ProbeDeclaration, take: int, deadline: float) -> None:
        # The order is the plan's, whatever the host: no worker and no unit has it.
        taker = self._from_order if ORDER in declaration.services else self._taker
        if INSTRUMENTS in declaration.services:
            if self._instruments is None:
                raise NotPossible("there are no instruments where this run is worked on")
            taker = self._instruments
        from_bench = self.host_of(check) == BENCH
        if from_bench and self._state.role != "station":
            at = self._state.at[:80]
            raise NotPossible(f"it is to be seen from the bench, and there is none with --at {at}")
        attempt, more = self._state.open_attempt(check.id), dict[str, Any]()
        if attempt is not None and attempt.paused:
            more["so_far"] = SoFar(readings=tuple(r for taken in attempt.takes for r in taken))
        settings: Mapping[str, Any] = check.settings
        if (forecast := forecast_of(check, declaration, self._state.plan.suite.decision)) is not None:
            settings = forecast.settings
            if forecast.words and declaration.cues and not more:
                await self.cue(check, Cue(say="\n".join(forecast.words)))
        taken = taker.take(
            declaration.name,
            settings,
            "local" if from_bench else self._state.at,
            declaration=declaration,
            deadline=deadline,
            **more,
        )
        # Closed at once when this is cancelled: the probe must not go on behind our back.
        async with aclosing(taken) as readings:
            async for reading in readings:
                match reading:
                    case Cue():
                        await self.cue(check, reading)
                        continue
                    case Ask():
                        reading.answer, answer = await asked(self._asker, check, reading)
                        self._append("answer", {"check": check.id, "answer": to_json(answer)})
                        continue
                    case Consult():
                        wanted, at = self._instruments, self._state.at
                        await consulted(wanted, self._catalogue, reading, at, deadline, self._clocks)
                        continue
                    case Look():
                        self._look(check, take, reading)
                        continue
                    case Pause():
                        say = {"check": check.id, "why": reading.why, "say": reading.say}
                        self._append("check-paused", say)
                        raise Paused(reading)
                if from_bench:
                    reading = replace(reading, origin=f"{BENCH}: {reading.origin}")  # noqa: PLW2901
                self._append("reading", {"check": check.id, "take": take, "reading": to_json(reading)})

    def _look(self, check: Check, take: int, look: Look) -> None:
        """Whether a probe has enough; journalled, so that anybody can see what was known at each look."""
        look.enough = self._stop_rule is not None and self._stop_rule(check, look.readings)
        seen = [to_json(reading) for reading in look.readings]
        self._append("look", {"check": check.id, "take": take, "readings": seen, "enough": look.enough})
        words = next((reading.conditions.remark for reading in look.readings), "")
        if words and not look.enough:
            self._looked(check, words)

    async def cue(self, check: Check, cue: Cue, title: str = "") -> None:
        """Have the technician do something; what wants it waits until this has been shown."""
        by = await self._asker.cue(title or check.title, cue)
        if self._state.technician is None:
            self._append("technician", {"technician": to_json(by)})
        self._append("cue", {"check": check.id, "say": cue.say})

    async def _ask(self, check: Check, take: int, nth: int) -> None:
        question = question_of(check, from_memory=self._state.from_memory(check), take=nth)
        if check.quarantines:
            question = replace(question, grave=partial(self._grave, check, question))
        given = await self._asker.ask(question)
        if self._state.technician is None and not question.second_person:
            self._append("technician", {"technician": to_json(given.by)})
        answer = Answer(
            kind=question.kind.value,
            shown=question.shown,
            value=given.value,
            unit=given.unit,
            by=given.by,
            from_memory=question.from_memory,
        )
        self.journal_answer(check, take, answer, reading_of(question, given))

    def _grave(self, check: Check, question: Question, given: Given) -> str:
        fails = self._judge(check, [[reading_of(question, given)]]).verdict is Verdict.FAIL
        return "With this answer the unit is quarantined, and everything ends." if fails else ""

    def journal_answer(self, check: Check, take: int, answer: Answer, reading: Reading) -> None:
        # The reading first: an answer without its reading would be asked again after a kill.
        self._append("reading", {"check": check.id, "take": take, "reading": to_json(reading)})
        self._append("answer", {"check": check.id, "answer": to_json(answer)})
