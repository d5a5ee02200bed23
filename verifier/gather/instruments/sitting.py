"""The instruments for one sitting at a run: made safe at its start where it goes on, and always at its end."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import anyio

from verifier.declare.suite import PromptKind, Suite
from verifier.errors import BenchFault, NotPossible, VerifierError
from verifier.gather.catalogue import ProbeCatalogue
from verifier.gather.instruments.bench import StationInstruments
from verifier.gather.instruments.ceilings import uses_instruments
from verifier.gather.instruments.taker import InstrumentTaker
from verifier.gather.prompts.question import Asker, Question
from verifier.gather.state import to_json
from verifier.services import Clocks

Append = Callable[[str, Mapping[str, Any]], None]
AT_A_TERMINAL = "Take it again at a terminal: `verifier resume --again CHECK --why ...`."
HANDS = "hands clear"
"""Stands for a check's id where this is asked; no check, and so no prepared answer, can be called so."""


class HandsClear:
    """Asks once a sitting, before anything is switched on again after a pause."""

    def __init__(self, asker: Asker, append: Append, *, needed: bool) -> None:
        self._asker, self._append, self._needed = asker, append, needed

    async def __call__(self, name: str) -> None:
        """NotPossible when hands are not clear, or nobody is there to say so."""
        if not self._needed:
            return
        question = Question(
            check=HANDS,
            kind=PromptKind.CONFIRM,
            title="Hands clear?",
            say=f"After the pause, “{name}” is about to be switched on again. "
            "Are all hands and tools off the unit?",
        )
        try:
            given = await self._asker.ask(question)
        except NotPossible as error:
            raise NotPossible(
                f"{name} is not switched on again after a pause unasked: {error.what}", to_do=AT_A_TERMINAL
            ) from None
        clear = given.value is True
        self._append("hands-clear", {"instrument": name, "clear": clear, "by": to_json(given.by)})
        if not clear:
            raise NotPossible("hands were not clear, so that nothing was switched on", to_do=AT_A_TERMINAL)
        self._needed = False


class InstrumentSitting:
    """What a sitting has of the instruments."""

    def __init__(self, bench: StationInstruments, taker: InstrumentTaker, append: Append) -> None:
        self.bench, self.taker, self._append = bench, taker, append

    async def start(self) -> None:
        """Command everything safe, since nobody knows what a run left that was paused or killed."""
        self._append("safe", {"why": "going on after a pause", "instruments": await self.bench.make_all_safe()})

    async def all_safe(self, why: str) -> dict[str, str]:
        """Command everything safe at once. Gives what could not be made so, with the reason."""
        results: dict[str, str] = {}
        with anyio.CancelScope(shield=True):
            try:
                results = await self.bench.make_all_safe()
            except* VerifierError as several:
                results = {"the instruments": str(several.exceptions[0])}
            self._append("safe", {"why": why, "instruments": results})
        return {name: problem for name, problem in results.items() if problem}

    async def rest(self, why: str) -> None:
        """See that nothing stays on. BenchFault names what cannot be made safe."""
        with anyio.CancelScope(shield=True):
            results = {}
            for name in sorted(self.bench.switched_on):
                try:
                    await self.bench.make_safe(name)
                    results[name] = ""
                except VerifierError as error:
                    results[name] = error.what
            if results:
                self._append("safe", {"why": why, "instruments": results})
            if unsafe := "; ".join(problem for problem in results.values() if problem):
                raise BenchFault(
                    f"could not be made safe: {unsafe}",
                    to_do="Switch it off at its own switch now; then `verifier resume`.",
                )


@asynccontextmanager
async def instruments_for(
    suite: Suite,
    folder: Path | StationInstruments | None,
    catalogue: ProbeCatalogue,
    clocks: Clocks,
    asker: Asker,
    append: Append,
    *,
    resumed: bool,
) -> AsyncIterator[InstrumentSitting | None]:
    """The instruments of the station in `folder`, or those given; None where the suite uses none.

    InputError where one of their files is wrong: told now, not in the middle of a check.
    """
    if folder is None or not uses_instruments(suite, catalogue):
        yield None
        return
    given = folder if isinstance(folder, StationInstruments) else StationInstruments(folder, clocks)
    given.load()
    async with given as bench:
        clear = HandsClear(asker, append, needed=resumed)
        yield InstrumentSitting(bench, InstrumentTaker(bench, catalogue, clocks, clear), append)
