"""Answers prepared in a file, for trials and unattended stations."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from verifier.declare.units import convert
from verifier.errors import InputError, NotPossible
from verifier.gather.prompts.question import LABEL, Asker, Given, Question, check_value
from verifier.readings import Person, Value
from verifier.steps import Cue


class Prepared(Protocol):
    """One table of an answers file. `value` has one entry a repeat, or one for all of them."""

    @property
    def values(self) -> tuple[Value, ...]: ...

    @property
    def unit(self) -> str: ...

    @property
    def by(self) -> str | None: ...


class NobodyAsker:
    """Where nobody is at a terminal: raises NotPossible for whatever is asked."""

    async def ask(self, question: Question) -> Given:
        if question.second_person:
            raise NotPossible("needs a second person at a terminal")
        raise NotPossible("nobody was asked: no terminal and no prepared answer")

    async def cue(self, title: str, cue: Cue) -> Person:
        raise NotPossible("needs a technician at a terminal, to act while it watches")


_NOBODY = NobodyAsker()


class PreparedAsker:
    """Takes prepared answers first; what has none goes to `otherwise`."""

    def __init__(
        self,
        answers: Mapping[str, Prepared],
        technician: Person | None,
        otherwise: Asker = _NOBODY,
        *,
        label: str | None = None,
    ) -> None:
        self._answers, self._technician, self._otherwise = answers, technician, otherwise
        self._label = label

    async def ask(self, question: Question) -> Given:
        """Raises InputError for an answer that does not fit its question, and what `otherwise` raises."""
        if question.check == LABEL and self._label is not None:
            value, _ = _fitting(question, self._label)
            return Given(value=value, by=self._technician or Person(name="not stated", known="answers-file"))
        prepared = self._answers.get(question.check)
        if prepared is None or question.second_person:
            return await self._otherwise.ask(question)
        if len(prepared.values) > 1 and len(prepared.values) <= question.take:
            raise NotPossible(f"only {len(prepared.values)} of {question.takes} answers were prepared")
        value = prepared.values[min(question.take, len(prepared.values) - 1)]
        if prepared.unit and isinstance(value, int | float) and not isinstance(value, bool):
            value = convert(float(value), prepared.unit, question.unit)
        value, step = _fitting(question, value)
        if prepared.by:
            by = Person(name=prepared.by, known="answers-file")
        elif self._technician is not None:
            by = self._technician
        else:
            raise InputError(
                "the prepared answer does not say whose it is",
                where=question.check,
                to_do='Add by = "..." to its table, or give --technician.',
            )
        return Given(value=value, by=by, unit=question.unit, step=step)

    async def cue(self, title: str, cue: Cue) -> Person:
        """An action cannot be prepared."""
        return await self._otherwise.cue(title, cue)


def _fitting(question: Question, value: Value) -> tuple[Value, float | None]:
    try:
        return check_value(question, value)
    except ValueError as error:
        raise InputError(
            f"the prepared answer {value!r} does not fit: {error}",
            where=question.check,
            to_do="Mend the answers file; `verifier resume` goes on.",
        ) from None
