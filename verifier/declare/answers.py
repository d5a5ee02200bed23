"""Answers prepared in a file, for trials and unattended stations.

    label = "QS-2004174"          # what scanning the unit's label would give

    [spacers-fitted]              # one table a check
    value = 2                     # a list gives one value for each repeat
    by = "T04"

Each is held against its prompt before the run begins: a file is mended at a desk, not half way through a run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from verifier.declare import units
from verifier.declare.check_readings import prompt_reading
from verifier.declare.flaws import KeyPath
from verifier.declare.lint_checks import ANSWERS_LABEL, unit_is_wrong
from verifier.declare.model_file import load_model
from verifier.declare.notes import Notes
from verifier.declare.spelling import hint, plain, shown
from verifier.declare.suite import Check, Number, PromptKind, Suite, UnitText
from verifier.readings import Value

_Text = Annotated[str, StringConstraints(max_length=2000)]
_One = bool | int | Number | _Text


class _Answer(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)

    value: _One | Annotated[tuple[_One, ...], Field(min_length=1, max_length=1000)]
    """The answer: true or false for a confirm, the words of an option, a number, a text."""
    unit: UnitText = ""
    """Unit of a number, where it is not the prompt's own."""
    by: Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=True)] | None = None
    """Who answered; the technician of the run unless given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedAnswer:
    """What one check's prompt is answered with."""

    values: tuple[Value, ...]
    """One for each repeat, or one for all of them."""
    unit: str = ""
    """Unit as the file gives it; empty for the prompt's own."""
    by: str | None = None
    """Who answered; None for the technician of the run."""


class PreparedAnswers(dict[str, PreparedAnswer]):
    """Prepared answers by check id."""

    label: str | None = None
    """What scanning the unit's label would give, where the file says it."""


def load_answers(path: Path, suite: Suite) -> PreparedAnswers:
    """The answers of a file. Raises InputError or InputProblems with all that does not fit the suite."""
    answers = PreparedAnswers()
    label: list[object] = []

    def without_label(data: dict[str, Any]) -> dict[str, Any]:
        label.extend([data[ANSWERS_LABEL]] if ANSWERS_LABEL in data else [])
        return {key: value for key, value in data.items() if key != ANSWERS_LABEL}

    def rules(notes: Notes, given: dict[str, _Answer]) -> None:
        if label:
            answers.label = _label(notes, label[0], suite)
        for check_id, answer in given.items():
            _against_suite(notes, suite, check_id, answer)

    given = load_model(path, dict[str, _Answer], rules=rules, prepare=without_label)
    for check_id, answer in given.items():
        values = answer.value if isinstance(answer.value, tuple) else (answer.value,)
        answers[check_id] = PreparedAnswer(values=values, unit=answer.unit, by=answer.by)
    return answers


def _label(notes: Notes, label: object, suite: Suite) -> str | None:
    path: KeyPath = (ANSWERS_LABEL,)
    if not isinstance(label, str) or not 0 < len(label.strip()) <= 100 or not label.isprintable():
        notes.error(path, "the label is no line of text", 'Write what the label says: label = "QS-2004174".')
        return None
    if not suite.serial.label:
        notes.error(path, "this suite scans no label", "Take the label out of the answers file.", at_key=True)
    return label.strip()


def _against_suite(notes: Notes, suite: Suite, check_id: str, answer: _Answer) -> None:
    check = next((c for c in suite.checks if c.id == check_id), None)
    if check is None:
        prompts = [c.id for c in suite.checks if c.prompt is not None]
        to_do = notes.hint(check_id, [*prompts, ANSWERS_LABEL], "prompts")
        notes.error((check_id,), f"the suite has no check {shown(check_id)}", to_do, at_key=True)
    elif check.prompt is None:
        what = f"{shown(check_id)} is read by the probe {check.probe}: it asks nobody"
        notes.error((check_id,), what, "Take this table away.", at_key=True)
    elif check.second_person:
        what = f"{shown(check_id)} needs another person at the keyboard and cannot be prepared"
        notes.error((check_id,), what, "Take this table away.", at_key=True)
    else:
        _against_prompt(notes, check, answer)


def _against_prompt(notes: Notes, check: Check, answer: _Answer) -> None:
    path: KeyPath = (check.id, "value")
    declared = prompt_reading(check)
    if answer.unit:
        unit_path: KeyPath = (check.id, "unit")
        if declared.kind != "number":
            notes.error(unit_path, f"a {check.prompt} has no unit", "Take it away.", at_key=True)
        elif not unit_is_wrong(notes, answer.unit, unit_path) and not units.same_dimension(
            answer.unit, declared.unit
        ):
            asked = plain(units.shown(declared.unit)) or "a plain number"
            notes.error(unit_path, f"{shown(answer.unit)} does not fit: the prompt asks for {asked}")
    if not isinstance(answer.value, tuple):
        if wrong := _misfit(check, answer.value, answer.unit, declared.unit):
            notes.error(path, *wrong)
        return
    times = check.all_takes
    if len(answer.value) != times:
        what = f"there are {len(answer.value)} values, and the prompt is asked {times} time{'s' * (times > 1)}"
        notes.error(path, what, "Give one value for each time, or a single one without [ ] for all.")
    for number, value in enumerate(answer.value):
        if wrong := _misfit(check, value, answer.unit, declared.unit):
            notes.error((*path, number), *wrong)


def _misfit(check: Check, value: Value, unit: str, asked: str) -> tuple[str, str] | None:
    """What is wrong with one value and what to do, or None."""
    kind = check.prompt
    if kind is PromptKind.CONFIRM:
        return None if isinstance(value, bool) else (f"{shown(value)} is no yes or no", "Write true or false.")
    if kind is PromptKind.CHOICE:
        if isinstance(value, str) and value.casefold() in {option.casefold() for option in check.options}:
            return None
        return f"{shown(value)} is none of the options", hint(str(value)[:100], check.options, what="options")
    if kind in (PromptKind.NUMBER, PromptKind.COUNT, PromptKind.TIMED):
        return _misfit_number(check, value, unit, asked)
    if not isinstance(value, str):
        return f"{shown(value)} is no text", "Write it in quotes."
    if not value.strip() and kind is not PromptKind.NOTE:
        return "the answer is empty", "Write what the technician would type."
    if kind is PromptKind.SCAN and not value.strip().isprintable():
        return "a scanned code is one line", ""
    return None


def _misfit_number(check: Check, value: Value, unit: str, asked: str) -> tuple[str, str] | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return f"{shown(value)} is no number", "Numbers stand without quotes."
    if check.prompt is PromptKind.COUNT and (not float(value).is_integer() or value < 0):
        return f"{shown(value)} is no count", "A count is a whole number, 0 or more."
    if check.prompt is PromptKind.TIMED and value < 0:
        return f"{shown(value)} is no length of time", "It is 0 or more."
    if check.range is not None:
        try:
            here = units.convert(float(value), unit or asked, asked)
        except ValueError:
            return None  # the unit is told by itself
        low, high = check.range
        if not low <= here <= high or not math.isfinite(here):
            in_unit = f" {plain(units.shown(asked))}".rstrip()
            return f"{shown(value)} is outside the range {low:g} to {high:g}{in_unit}", ""
    return None
