"""The fault catalogue of a simulated unit: what each fault changes in its description.

    schema = 1
    model = "marrowby-quayside"

    [faults.usb-4-sags]
    title = "Port 4 sags under load"
    joint = "usb-4"
    [faults.usb-4-sags.severities]
    slight = { set = { "usb.4.ohms" = 0.16 } }
    clear = { set = { "usb.4.ohms" = 0.3 } }

1. A key names a place in the description, part by part; `ethernet` and `lines` go by their own names.
2. `set` puts a value there, `add` adds to the number that is there, `scale` multiplies it.
3. A fault without a severity named gets its first one.
4. Faults are put in one after the other, in the order of the command line; what comes out has to be a description.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, StringConstraints, ValidationError

from verifier.declare.model_file import load_model
from verifier.declare.notes import Notes
from verifier.declare.suite import Suite
from verifier.errors import InputError
from verifier.gather.simulated.description import Description
from verifier.gather.simulated.parts import Number, Part, Word
from verifier.readings import InjectedFault
from verifier.shipped import shipped_beside_suites

FAULTS_FILE = "faults.toml"
MOST = 10
"""Faults that one unit may have at a time."""

Slug = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=80)]
Key = Annotated[str, StringConstraints(min_length=1, max_length=200)]
_NAMED_BY = {"ethernet": "interface", "lines": "name"}
"""Lists in a description, and the field by which their members are named."""


class Change(Part):
    """How bad it is: what is other than in a sound unit."""

    set: Annotated[dict[Key, bool | int | float | str], Field(max_length=50)] = Field(default_factory=dict)
    add: Annotated[dict[Key, Number], Field(max_length=50)] = Field(default_factory=dict)
    scale: Annotated[dict[Key, Number], Field(max_length=50)] = Field(default_factory=dict)


class Fault(Part):
    title: Word
    joint: Slug | None = None
    """The joint of the suite that is wrong; left out where none is."""
    severities: Annotated[dict[Slug, Change], Field(min_length=1, max_length=10)]
    """The first is what is meant where none is named."""

    @property
    def usual(self) -> str:
        return next(iter(self.severities))


class Faults(Part):
    """A fault catalogue."""

    schema_version: Literal[1] = Field(alias="schema")
    model: Word
    faults: Annotated[dict[Slug, Fault], Field(max_length=500)]

    model_config = ConfigDict(
        extra="forbid", frozen=True, use_attribute_docstrings=True, populate_by_name=True, serialize_by_alias=True
    )


def shipped_faults(model: str) -> Path | None:
    """The catalogue that ships for a model; None where there is none."""
    return shipped_beside_suites(FAULTS_FILE).get(model)


def load_faults(path: Path, unit: Description, suite: Suite | None = None) -> Faults:
    """The catalogue in a file, each fault of which was tried on `unit`.

    With the `suite` that it goes with, the joints and prompts that it names have to be there. InputError where it
    cannot be read, InputProblems with all that is wrong in it.
    """

    def rules(notes: Notes, found: Faults) -> None:
        if found.model != unit.model:
            notes.error(("model",), f"the unit is a {unit.model}", "Name the model of the unit that it goes with.")
        for name, fault in found.faults.items():
            if suite is not None and fault.joint is not None and fault.joint not in suite.joints:
                hint = notes.hint(fault.joint, suite.joints)
                notes.error(("faults", name, "joint"), f"the suite has no joint {fault.joint}", hint)
            for severity, change in fault.severities.items():
                for verb, key, what in [*_complaints(unit, change), *_not_asked(suite, change)]:
                    notes.error(("faults", name, "severities", severity, verb, key), what)

    return load_model(path, Faults, rules=rules)


def injected(unit: Description, catalogue: Faults | None, wanted: Sequence[str]) -> tuple[InjectedFault, ...]:
    """What `NAME` or `NAME=SEVERITY` names, in that order. InputError for what the catalogue does not hold."""
    if len(wanted) > MOST:
        raise InputError(f"more than {MOST} faults at once", where="--fault", to_do="Leave some out.")
    return tuple(_named(unit, catalogue, text) for text in wanted)


def _named(unit: Description, catalogue: Faults | None, text: str) -> InjectedFault:
    name, equals, severity = text.partition("=")
    fault = catalogue.faults.get(name) if catalogue else None
    if fault is None:
        from verifier.declare.spelling import hint

        known = catalogue.faults if catalogue else {}
        raise InputError(
            f"the simulated {unit.model} knows no fault {name[:80]!r}",
            where="--fault",
            to_do=hint(name, known, what="faults")
            or f"`verifier suite faults {unit.model}` lists those it knows.",
        )
    if equals and severity not in fault.severities:
        raise InputError(
            f"{name} has no severity {severity[:80]!r}",
            where="--fault",
            to_do=f"It has: {', '.join(fault.severities)}.",
        )
    return InjectedFault(name=name, severity=severity or fault.usual, title=fault.title, joint=fault.joint or "")


def with_faults(unit: Description, catalogue: Faults | None, faults: Sequence[InjectedFault]) -> Description:
    """The unit with these faults. InputError where they do not go together."""
    if not faults:
        return unit
    data = unit.to_json()
    for fault in faults:
        assert catalogue is not None  # noqa: S101 - it named them
        try:
            _apply(data, catalogue.faults[fault.name].severities[fault.severity])
        except KeyError as error:
            raise InputError(
                f"{fault.name} does not fit this unit: {error.args[0]}", where="--fault", to_do="Choose another."
            ) from None
    try:
        return Description.model_validate(data)
    except ValidationError as error:
        first = error.errors()[0]
        raise InputError(
            f"these faults do not go together: {'.'.join(map(str, first['loc']))}: {first['msg']}",
            where="--fault",
            to_do="Leave one of them out.",
        ) from None


def _apply(data: dict[str, Any], change: Change) -> None:
    for key, value in change.set.items():
        _put(data, key, value)
    for key, more in change.add.items():
        _put(data, key, _number_at(data, key) + more)
    for key, factor in change.scale.items():
        _put(data, key, _number_at(data, key) * factor)


def _put(data: dict[str, Any], key: str, value: object) -> None:
    *way, last = key.split(".")
    _walk(data, way, make=True)[last] = value


def _number_at(data: dict[str, Any], key: str) -> float:
    *way, last = key.split(".")
    there = _walk(data, way, make=False).get(last, 0)
    if isinstance(there, bool) or not isinstance(there, int | float):
        raise KeyError(f"there is no number at {key}")
    return there


def _walk(data: dict[str, Any], way: Sequence[str], *, make: bool) -> dict[str, Any]:
    """The table that a path leads to. KeyError says where it leads nowhere."""
    here: Any = data
    for depth, step in enumerate(way):
        if isinstance(here, list):
            field = _NAMED_BY[way[depth - 1]]
            found = next((member for member in here if member.get(field) == step), None)
        elif isinstance(here, Mapping):
            # What is left out of a description may be set; what a table is called has to be there.
            found = here.get(step, {} if make and depth == 1 and way[0] == "seen" else None)
            if found == {} and isinstance(here, dict):
                here[step] = found
        else:
            found = None
        if found is None:
            raise KeyError(f"the unit has no {'.'.join(way[: depth + 1])}")
        here = found
    if not isinstance(here, dict):
        raise KeyError(f"{'.'.join(way)} is no table")
    return here


def _complaints(unit: Description, change: Change) -> list[tuple[str, str, str]]:
    """What is wrong with a change, by verb and key; each key is tried by itself first."""
    found = []
    verbs: tuple[tuple[str, Mapping[str, Any]], ...] = (
        ("set", change.set),
        ("add", change.add),
        ("scale", change.scale),
    )
    for verb, keys in verbs:
        for key, value in keys.items():
            if problem := _problem(unit, Change.model_validate({verb: {key: value}})):
                found.append((verb, key, problem))
    if not found and not any(keys for _, keys in verbs):
        found.append(("set", "", "changes nothing"))
    if not found and (problem := _problem(unit, change)):
        verb, key = next((verb, key) for verb, keys in verbs for key in keys)
        found.append((verb, key, problem))
    return found


def _not_asked(suite: Suite | None, change: Change) -> Iterator[tuple[str, str, str]]:
    """The checks that a change names and the suite does not have."""
    known = {check.id for check in suite.checks} if suite is not None else set()
    for key in change.set if suite is not None else ():
        part, _, rest = key.partition(".")
        check = rest.partition(".")[0]
        if part == "seen" and check not in known:
            yield "set", key, f"the suite has no check {check}"


def _problem(unit: Description, change: Change) -> str:
    data = unit.to_json()
    try:
        _apply(data, change)
        Description.model_validate(data)
    except KeyError as error:
        return str(error.args[0])
    except ValidationError as error:
        return "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors()[:3])
    return ""
