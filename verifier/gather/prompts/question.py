"""A question as the technician sees it, and how a typed answer is read."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Protocol

from verifier.declare.suite import Check, PromptKind
from verifier.readings import Contribution, Person, Reading, Value
from verifier.steps import Cue

MAX_ANSWER = 2000
"""Characters of an answer at the most; scanners and pasted text can send anything."""

LEAST_DOUBLED = 6
"""Characters of a code from which on its repetition is taken for a second scan, not for a longer code."""

LABEL = "label"
"""Stands for a check's id where the unit's label is scanned; no check may be called so."""

YES = frozenset({"y", "yes"})
NO = frozenset({"n", "no"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked, in the words and bounds of the suite."""

    check: str
    kind: PromptKind
    title: str
    say: str
    options: tuple[str, ...] = ()
    range: tuple[float, float] | None = None
    unit: str = ""
    duration: float | None = None
    """Seconds of a timed action."""
    picture: str | None = None
    second_person: bool = False
    from_memory: bool = False
    take: int = 0
    """Which repeat this is, from 0."""
    takes: int = 1
    hint: str = ""
    """What an answer looks like, in words; that of the kind where it is empty."""
    about: str = ""
    """What a probe asks about, for a scripted technician."""
    accepts: Callable[[Value], str] | None = None
    """Says what is wrong with an answer beyond its form; an empty text accepts it."""
    grave: Callable[[Given], str] | None = None
    """What an answer would bring about that nobody at the bench can take back; empty for nothing. No slip of a
    finger may do that: a person gives such an answer twice."""

    @property
    def shown(self) -> str:
        """The question as one text, for the record."""
        options = "".join(f"\n{n}. {option}" for n, option in enumerate(self.options, 1))
        return f"{self.say}{options}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """An answer as it was given."""

    value: Value
    by: Person
    unit: str = ""
    step: float | None = None
    """Smallest step that the typed digits can show; None for what is not a measured number."""


class Asker(Protocol):
    """Asks one question, or has one action done. Raises `NotPossible` where nobody is there for it."""

    async def ask(self, question: Question) -> Given: ...

    async def cue(self, title: str, cue: Cue) -> Person:
        """Show a cue of the check `title`, with `wait` until it is done; who is at the bench."""
        ...


def question_of(check: Check, *, from_memory: bool = False, take: int = 0) -> Question:
    """The question of a prompt check. ValueError for a check that has no prompt."""
    if check.prompt is None or check.say is None:
        raise ValueError(f"{check.id} has no prompt")
    return Question(
        check=check.id,
        kind=check.prompt,
        title=check.title,
        say=check.say,
        options=check.options,
        range=check.range,
        unit=_unit_of(check),
        duration=check.duration,
        picture=check.picture,
        second_person=check.second_person,
        from_memory=from_memory,
        take=take,
        takes=check.all_takes,
    )


def _unit_of(check: Check) -> str:
    return {PromptKind.NUMBER: check.unit, PromptKind.COUNT: "1", PromptKind.TIMED: "s"}.get(
        check.prompt or PromptKind.NOTE, ""
    )


def read_answer(question: Question, text: str) -> tuple[Value, float | None]:
    """The value of a typed answer, and the step of its last digit where it is a measured number.

    ValueError says, in words for the technician, what was expected instead.
    """
    text = text.strip()
    if len(text) > MAX_ANSWER:
        raise ValueError(f"That is longer than {MAX_ANSWER} characters.")
    value, step = _READERS[question.kind](question, text)
    if question.accepts is not None and (wrong := question.accepts(value)):
        raise ValueError(wrong)
    return value, step


def check_value(question: Question, value: Value) -> tuple[Value, float | None]:
    """As `read_answer`, for a value that is already typed (from TOML). ValueError as there."""
    if isinstance(value, bool):
        return read_answer(question, "yes" if value else "no")
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("Only finite numbers can be meant.")
    if isinstance(value, int | float) and question.kind is PromptKind.CHOICE:
        raise ValueError("Type the option's words in quotes; numbers count only in a terminal.")
    return read_answer(question, str(value))


def reading_of(question: Question, given: Given) -> Reading:
    """The reading that an answer is, named after the kind of the prompt."""
    contributions = () if given.step is None else (Contribution.resolution(given.step, note="last digit typed"),)
    return Reading(
        name=question.kind.value,
        value=given.value,
        unit=given.unit,
        origin="answer of the technician",
        exact=given.step is None,
        contributions=contributions,
    )


def _confirm(_: Question, text: str) -> tuple[Value, None]:
    word = text.casefold()
    if word in YES:
        return True, None
    if word in NO:
        return False, None
    raise ValueError("Type yes or no.")


def _choice(question: Question, text: str) -> tuple[Value, None]:
    if text.isascii() and text.isdigit() and 1 <= int(text) <= len(question.options):
        return question.options[int(text) - 1], None
    for option in question.options:
        if text.casefold() == option.casefold():
            return option, None
    raise ValueError(f"Type a number from 1 to {len(question.options)}, or the words of an option.")


_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d{1,3})?")


def _number(question: Question, text: str) -> tuple[Value, float]:
    bare = text.removesuffix(question.unit).strip() if question.unit != "1" else text
    bare = bare.replace("\N{MINUS SIGN}", "-")
    if not _NUMBER.fullmatch(bare):
        raise ValueError(f"Type a number{_in(question.unit)}, such as {_example(question)}.")
    try:
        number = Decimal(bare.replace(",", "."))
        value = float(number)
    except (InvalidOperation, OverflowError):
        raise ValueError("That number cannot be read.") from None
    exponent = number.as_tuple().exponent
    if not math.isfinite(value) or not isinstance(exponent, int):
        raise ValueError("Only finite numbers can be meant.")
    _in_range(question, value)
    return value, float(Decimal(1).scaleb(exponent))


def _count(question: Question, text: str) -> tuple[Value, None]:
    if not (text.isascii() and text.isdigit() and len(text) <= 9):
        raise ValueError("Type a whole number, 0 or more.")
    _in_range(question, int(text))
    return int(text), None


def _timed(question: Question, text: str) -> tuple[Value, float]:
    return _number(question, text)


def _text(question: Question, text: str) -> tuple[Value, None]:
    if not text:
        raise ValueError("Type something; an empty answer says nothing.")
    return _note(question, text)


def _scan(_: Question, text: str) -> tuple[Value, None]:
    if not text.isprintable() or not text:
        raise ValueError("Scan the code, or type what stands below it.")
    half = len(text) // 2
    if half >= LEAST_DOUBLED and text == text[:half] * 2:
        raise ValueError("That is the same code twice in one line. Scan it once.")
    return text, None


def _note(_: Question, text: str) -> tuple[Value, None]:
    text = text.replace("\t", " ")
    if any(unicodedata.category(c) == "Cc" or c == "\N{REPLACEMENT CHARACTER}" for c in text):
        raise ValueError("That holds what is no character, as arrow keys send it. Type it again.")
    return text, None


_READERS: Mapping[PromptKind, Callable[[Question, str], tuple[Value, float | None]]] = {
    PromptKind.CONFIRM: _confirm,
    PromptKind.CHOICE: _choice,
    PromptKind.NUMBER: _number,
    PromptKind.COUNT: _count,
    PromptKind.TIMED: _timed,
    PromptKind.TEXT: _text,
    PromptKind.SCAN: _scan,
    PromptKind.NOTE: _note,
}


def _in_range(question: Question, value: float) -> None:
    if question.range and not question.range[0] <= value <= question.range[1]:
        low, high = question.range
        raise ValueError(
            f"Only {low:g} to {high:g}{_in(question.unit)} can be meant here. Look again, and type what you see."
        )


def _in(unit: str) -> str:
    return "" if unit in ("", "1") else f" in {unit}"


def _example(question: Question) -> str:
    if question.range is None:
        return "23.4"
    return f"{sum(question.range) / 2:.4g}"
