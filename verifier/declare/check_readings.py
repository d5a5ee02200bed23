"""Which readings a check gives, and in which unit: a probe's, a prompt's, and those computed from them."""

from __future__ import annotations

from verifier.declare import expressions
from verifier.declare.suite import Check, PromptKind
from verifier.readings import Catalogue, ProbeDeclaration, ReadingDeclaration

_PROMPTS: dict[PromptKind, tuple[str, str]] = {
    PromptKind.CONFIRM: ("yes-no", ""),
    PromptKind.CHOICE: ("text", ""),
    PromptKind.NUMBER: ("number", ""),
    PromptKind.TEXT: ("text", ""),
    PromptKind.SCAN: ("text", ""),
    PromptKind.COUNT: ("number", "1"),
    PromptKind.TIMED: ("number", "s"),
    PromptKind.NOTE: ("text", ""),
}


def prompt_reading(check: Check) -> ReadingDeclaration:
    """The one reading of a prompt, named after its kind. ValueError for a check without a prompt."""
    if check.prompt is None:
        raise ValueError(f"{check.id} has no prompt")
    kind, unit = _PROMPTS[check.prompt]
    if check.prompt is PromptKind.NUMBER:
        unit = check.unit
    return ReadingDeclaration(
        name=check.prompt.value,
        kind=kind,  # type: ignore[arg-type]  # the table above holds nothing else
        unit=unit,
        what="What the technician answers.",
    )


def declaration_of(check: Check, catalogue: Catalogue) -> ProbeDeclaration | None:
    """What the check's probe says of itself; None for a prompt, and for a probe that is not known."""
    return catalogue.declaration(check.probe) if check.probe else None


def taken_readings(check: Check, catalogue: Catalogue) -> tuple[ReadingDeclaration, ...] | None:
    """What probe or prompt gives; None where the probe is not known."""
    if check.prompt is not None:
        return (prompt_reading(check),)
    declaration = declaration_of(check, catalogue)
    return None if declaration is None else declaration.with_settings(check.settings).readings


def reading_named(readings: tuple[ReadingDeclaration, ...], name: str) -> ReadingDeclaration | None:
    """The declaration that a reading's name falls under: its own first, then a family such as chain_*."""
    return next((r for r in readings if r.name == name), None) or next(
        (r for r in readings if r.matches(name)), None
    )


def computed_reading(
    name: str, text: str, readings: tuple[ReadingDeclaration, ...]
) -> tuple[ReadingDeclaration, list[str]]:
    """The declaration of one `compute` entry, and the names it uses that `readings` has not.

    ValueError says, with the place in the expression, what is wrong with it: its form, a text or yes/no among
    numbers, units that do not fit together.
    """
    expression = expressions.parse(text)
    by_name = {used: reading_named(readings, used) for used in expression.names}
    unknown = [used for used, declared in by_name.items() if declared is None]
    if unknown:
        return ReadingDeclaration(name=name, kind="number", unit="", what=text), unknown
    units: dict[str, str] = {}
    for used, declared in by_name.items():
        if declared is not None:
            if declared.kind != "number":
                raise ValueError(f'"{used}" is {kind_words(declared.kind)}, and only numbers can be computed with')
            units[used] = declared.unit
    return ReadingDeclaration(name=name, kind="number", unit=expression.unit(units), what=text), []


def kind_words(kind: str) -> str:
    return {"number": "a number", "text": "a text", "yes-no": "a yes or no"}[kind]
