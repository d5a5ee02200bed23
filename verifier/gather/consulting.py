"""What a probe asks for while it is taken: an answer of the technician, a reading of the bench's instruments."""

from __future__ import annotations

from collections.abc import AsyncGenerator, Mapping
from contextlib import aclosing
from typing import Any, Protocol

from verifier.declare.patterns import compiled
from verifier.declare.suite import Check, PromptKind
from verifier.errors import NotPossible
from verifier.gather.instruments.services import INSTRUMENTS
from verifier.gather.prompts.question import Asker, Question
from verifier.readings import Answer, Catalogue, ProbeDeclaration, Reading, Value
from verifier.services import Clocks
from verifier.steps import Ask, Consult, Step


class TakesReadings(Protocol):
    """As the engine's `Taker`."""

    def take(
        self,
        probe: str,
        settings: Mapping[str, Any],
        host_address: str,
        *,
        declaration: ProbeDeclaration,
        deadline: float,
    ) -> AsyncGenerator[Step]: ...


async def asked(asker: Asker, check: Check, ask: Ask) -> tuple[str, Answer]:
    """The answer to a probe's question, and how it is journalled. NotPossible where nobody can give it."""
    pattern = compiled(ask.pattern)

    def wrong(value: Value) -> str:
        return "" if pattern.fullmatch(str(value)) else f"Type it as {ask.hint}."

    question = Question(
        check=check.id,
        kind=PromptKind.TEXT,
        title=check.title,
        say=ask.say,
        hint=ask.hint,
        about=ask.about,
        accepts=wrong,
    )
    given = await asker.ask(question)
    text = str(given.value)
    return text, Answer(kind=question.kind.value, shown=question.shown, value=text, by=given.by)


async def consulted(
    taker: TakesReadings | None, catalogue: Catalogue, consult: Consult, at: str, deadline: float, clocks: Clocks
) -> None:
    """Put in what an instrument of the bench says. NotPossible where there is none of that name, or no bench."""
    declaration = catalogue.declaration(consult.probe)
    if taker is None or declaration is None or declaration.services != (INSTRUMENTS,):
        raise NotPossible(f"there is no instrument {consult.instrument} where this run is worked on")
    settings = {"instrument": consult.instrument}
    taken = taker.take(consult.probe, settings, at, declaration=declaration, deadline=deadline)
    async with aclosing(taken) as steps:
        async for step in steps:  # to the end: the instrument is then safe
            if isinstance(step, Reading) and consult.given is None:
                consult.given, consult.boot = step, clocks.boot()
