"""What is wrong within one check: probe, settings, prompt, readings, computed readings, statements."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from verifier.declare import units
from verifier.declare.check_readings import computed_reading, kind_words, reading_named, taken_readings
from verifier.declare.complaints import check_complaints, cycles_complaints, statement_complaints
from verifier.declare.flaws import KeyPath
from verifier.declare.notes import Notes
from verifier.declare.settings import settings_flaws
from verifier.declare.spelling import hint, plain, shown
from verifier.declare.suite import Check, PromptKind
from verifier.readings import Catalogue, ReadingDeclaration, Stage

ANSWERS_LABEL = "label"
"""In an answers file this names the scanned label, so that no check may be called so."""


@dataclass(slots=True)
class CheckReadings:
    """The readings that limits and statements of one check may name."""

    known: bool
    """False where the probe is unknown: nothing can be said about its readings then."""
    taken: tuple[ReadingDeclaration, ...] = ()
    computed: tuple[ReadingDeclaration, ...] = ()
    broken: set[str] = field(default_factory=set)
    """Computed readings that are wrong themselves: no more is said about them."""

    def named(self, name: str) -> ReadingDeclaration | None:
        return reading_named((*self.computed, *self.taken), name)

    @property
    def names(self) -> list[str]:
        return [r.name for r in (*self.taken, *self.computed)]


def lint_check(notes: Notes, check: Check, at: KeyPath, catalogue: Catalogue, folder: Path) -> CheckReadings:
    """Everything about a check but its limits. Gives the readings, for the limits."""
    for keys, what in check_complaints(check):
        complain(notes, at, keys, what)
    for keys, what in cycles_complaints(check.cycles) if check.cycles else ():
        complain(notes, (*at, "cycles"), keys, what)
    if check.id == ANSWERS_LABEL:
        notes.error(
            (*at, "id"), f'"{ANSWERS_LABEL}" names the scanned label in answers files', "Choose another id."
        )
    if check.probe is not None and check.prompt is None:
        lint_probe(notes, check.probe, check.settings, at, catalogue)
    if check.prompt is not None:
        _prompt(notes, check, at, folder)
    for key in ("covers", "needs", "after", "once_done", "options"):
        _twice(notes, getattr(check, key), (*at, key))
    if check.covers and not check.limits:
        notes.warning(
            (*at, "covers"),
            "the check covers joints but has no limits, so that it proves nothing",
            "Give it limits, or take covers away.",
            at_key=True,
            concerns=[(*at, "limits")],
        )
    if check.covers and check.stage is Stage.ARRIVAL:
        notes.warning(
            (*at, "covers"),
            "a check at arrival is made before the repair, so that it proves no joint afterwards",
            "Choose a later stage, or take covers away.",
            at_key=True,
            concerns=[(*at, "stage")],
        )
    readings = _readings(notes, check, at, catalogue)
    _statements(notes, check, at, readings)
    return readings


def lint_probe(
    notes: Notes, name: str, settings: dict[str, object], at: KeyPath, catalogue: Catalogue
) -> tuple[ReadingDeclaration, ...] | None:
    """Whether a probe exists and takes these settings."""
    declaration = catalogue.declaration(name)
    if declaration is None:
        to_do = notes.hint(name, catalogue.names(), "there are")
        notes.error((*at, "probe"), f"there is no probe {shown(name)}", to_do)
        return None
    for flaw in settings_flaws(declaration, settings, (*at, "settings")):
        notes.error(flaw.path, flaw.what, flaw.to_do, at_key=flaw.at_key)
    return declaration.with_settings(settings).readings


def complain(notes: Notes, at: KeyPath, keys: tuple[str, ...], what: str) -> None:
    """Tell a complaint of the model about keys that do not go together."""
    path = (*at, keys[0]) if keys[0] else at
    notes.error(path, what, at_key=True, concerns=[(*at, key) for key in keys if key])


def unit_is_wrong(notes: Notes, unit: str, at: KeyPath) -> bool:
    """Tell a unit that does not exist."""
    try:
        units.normal(unit)
    except ValueError as error:
        what, _, to_do = str(error).partition("; ")
        notes.error(at, plain(what), plain(to_do[:1].upper() + to_do[1:]) + ("" if to_do[-1:] in "?." else "."))
        return True
    return False


def _prompt(notes: Notes, check: Check, at: KeyPath, folder: Path) -> None:
    if check.prompt is PromptKind.NUMBER and check.unit:
        unit_is_wrong(notes, check.unit, (*at, "unit"))
    if check.prompt is PromptKind.CHOICE and len(check.options) == 1:
        notes.error((*at, "options"), "a choice of one is none", "Add options, or use confirm.")
    if check.prompt is PromptKind.COUNT and check.range and any(not float(x).is_integer() for x in check.range):
        notes.error((*at, "range"), "a count is a whole number", "Give whole numbers.")
    if check.picture is not None and not (folder / check.picture).is_file():
        there = [e.name for e in islice(os.scandir(folder), 1000) if e.name.endswith(".svg")]
        notes.error(
            (*at, "picture"),
            f"there is no file {shown(check.picture)} beside the suite",
            hint(check.picture, there, what="there are") if there else "Put it into the suite's folder.",
        )
    if check.if_absent == "not-fitted":
        notes.warning(
            (*at, "if_absent"), "if_absent belongs to a probe: a prompt always has its answer", at_key=True
        )
    if check.timeout and check.duration and check.timeout <= check.duration:
        notes.error((*at, "timeout"), "the timeout ends the action before its duration is over", at_key=True)


def _twice(notes: Notes, names: tuple[str, ...], at: KeyPath) -> None:
    seen: set[str] = set()
    for number, name in enumerate(names):
        if name in seen:
            notes.error((*at, number), f"{shown(name)} stands here twice", "Keep one of them.")
        seen.add(name)


def _readings(notes: Notes, check: Check, at: KeyPath, catalogue: Catalogue) -> CheckReadings:
    taken = taken_readings(check, catalogue)
    if taken is None:
        return CheckReadings(known=False, broken=set(check.compute))
    readings = CheckReadings(known=True, taken=taken)
    for name, text in check.compute.items():
        path = (*at, "compute", name)
        if any(r.matches(name) for r in taken):
            what = f"the {'probe' if check.probe else 'prompt'} gives a reading {shown(name)} already"
            notes.error(path, what, "Choose another name.", at_key=True)
            continue
        try:
            made, unknown = computed_reading(name, text, (*taken, *readings.computed))
        except ValueError as error:
            notes.error(path, plain(str(error)), concerns=[(*at, "unit")] if check.unit else [])
            readings.broken.add(name)
            continue
        for used in unknown:
            what = f"there is no reading {shown(used)} to compute with"
            if used in readings.broken:
                continue
            to_do = notes.hint(used, readings.names, "there are")
            if used in check.compute:
                what, to_do = f"{shown(used)} is computed further down", "Move it up, before it is used."
            notes.error(path, what, to_do)
        if unknown:
            readings.broken.add(name)
        else:
            readings.computed = (*readings.computed, made)
    return readings


def _statements(notes: Notes, check: Check, at: KeyPath, readings: CheckReadings) -> None:
    for number, statement in enumerate(check.uncertainty):
        path = (*at, "uncertainty", number)
        for keys, what in statement_complaints(statement):
            complain(notes, path, keys, what)
        if statement.unit and unit_is_wrong(notes, statement.unit, (*path, "unit")):
            continue
        declared = named_reading(notes, readings, statement.reading, path)
        if declared is None:
            continue
        if declared.kind != "number":
            what = f"{shown(declared.name)} is {kind_words(declared.kind)}, which has no uncertainty"
            notes.error((*path, "reading"), what, "Take this statement away.")
        elif check.prompt is PromptKind.COUNT and statement.reading == "count":
            notes.error((*path, "reading"), "a count is exact and has no uncertainty", "Take this statement away.")
        elif not statement.unit:
            unit_missing(notes, declared, path, units.difference_unit(declared.unit))
        elif not units.same_difference(statement.unit, declared.unit):
            wrong_dimension(notes, statement.unit, declared, path, units.difference_unit(declared.unit))


def named_reading(notes: Notes, readings: CheckReadings, name: str, path: KeyPath) -> ReadingDeclaration | None:
    """The declaration of a reading that a limit or a statement names; None where nothing more can be said."""
    declared = readings.named(name)
    if declared is None and name not in readings.broken and readings.known:
        to_do = notes.hint(name, readings.names, "there are")
        notes.error((*path, "reading"), f"the check gives no reading {shown(name)}", to_do)
    if declared is None or name in readings.broken:
        return None
    if declared.kind == "number" and declared.unit:
        try:
            units.normal(declared.unit)
        except ValueError:
            return None  # a prompt's own unit, told there
    return declared if declared.kind != "number" or declared.unit else None


def unit_missing(notes: Notes, declared: ReadingDeclaration, path: KeyPath, unit: str) -> None:
    """Tell a number without a unit, where the reading has one."""
    if units.normal(declared.unit) != "1":
        to_do = f"The reading is in {plain(units.shown(declared.unit))}: add unit = {shown(unit)}."
        notes.error((*path, "unit"), "the unit is missing", to_do)


def wrong_dimension(notes: Notes, unit: str, declared: ReadingDeclaration, path: KeyPath, suggested: str) -> None:
    """Tell a unit that measures something else than the reading."""
    reading = f"the reading {shown(declared.name)} is in {plain(units.shown(declared.unit)) or 'plain numbers'}"
    to_do = f"Give a unit that converts to {shown(suggested)}."
    notes.error((*path, "unit"), f"{shown(unit)} does not fit: {reading}", to_do)
