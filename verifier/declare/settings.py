"""A probe's settings from a suite, held against what the probe declares."""

from __future__ import annotations

import ast
import dataclasses
import inspect
import math
import textwrap
from collections.abc import Mapping
from itertools import islice, pairwise
from typing import Any

from pydantic import TypeAdapter
from pydantic.errors import PydanticUserError

from verifier.declare.flaws import Flaw, KeyPath, key_path_text
from verifier.declare.shape import adapter_of, salvage
from verifier.declare.spelling import hint, shown
from verifier.errors import InputError
from verifier.readings import ProbeDeclaration

_MOST = 200


def probe_settings(declaration: ProbeDeclaration, settings: Mapping[str, Any]) -> Any:
    """The probe's own settings object. InputError names the first setting that does not fit."""
    made, flaws = _fitted(declaration, settings)
    if flaws:
        first = flaws[0]
        key = key_path_text(first.path)
        raise InputError(
            f"{key}: {first.what}" if key else first.what,
            where=f"settings of {declaration.name}",
            to_do=first.to_do or f"`verifier suite probes {declaration.name}` lists what it takes.",
        )
    return made


def settings_flaws(declaration: ProbeDeclaration, settings: Mapping[str, Any], at: KeyPath) -> list[Flaw]:
    """Everything about the settings at key path `at` that the probe does not take."""
    _, flaws = _fitted(declaration, settings)
    return [dataclasses.replace(flaw, path=(*at, *flaw.path)) for flaw in flaws]


def _fitted(declaration: ProbeDeclaration, settings: Mapping[str, Any]) -> tuple[Any, list[Flaw]]:
    try:
        adapter: TypeAdapter[Any] = adapter_of(declaration.settings)
    except (PydanticUserError, NameError, TypeError) as error:
        what = f"the probe {shown(declaration.name)} declares settings that cannot be checked"
        return None, [Flaw(path=(), what=what, to_do=f"Its author must mend it: {type(error).__name__}.")]
    names = [field.name for field in dataclasses.fields(declaration.settings) if field.init]
    # pydantic leaves out the unknown keys of a standard dataclass without a word.
    flaws = [
        Flaw(
            path=(key,),
            what=f"{declaration.name} takes no setting {shown(key)}",
            to_do=hint(key, names, what="it takes") if names else "It takes none.",
            at_key=True,
        )
        for key in islice((key for key in settings if key not in names), _MOST)
    ]
    misspelt = {flaw.to_do for flaw in flaws}
    flaws += [
        Flaw(path=(key,), what=f"{shown(value)} is no finite number")
        for key, value in settings.items()
        if isinstance(value, float) and not math.isfinite(value)
    ]
    found = salvage(adapter, {key: value for key, value in settings.items() if key in names})
    for flaw in found.flaws:
        # A misspelt setting is one mistake, not a missing one besides.
        missing = flaw.what.endswith(" is missing")
        if not (missing and f"Did you mean {shown(str(flaw.path[-1]))}?" in misspelt):
            flaws.append(flaw)
    return found.model, flaws


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class SettingDescription:
    """One setting of a probe, in words for a suite author."""

    name: str
    takes: str
    """What kind of value, in words."""
    default: Any
    """None where the probe needs it, and where it is empty unless given."""
    needed: bool
    what: str


def describe_settings(declaration: ProbeDeclaration) -> list[SettingDescription]:
    """The settings of a probe in the order in which it declares them."""
    properties = adapter_of(declaration.settings).json_schema().get("properties", {})
    # Probes may have settings in common: what a base class says of them holds, unless the class says it itself.
    words: dict[str, str] = {}
    for declared in reversed(declaration.settings.__mro__[:-1]):
        words |= _attribute_docstrings(declared)
    described = []
    for field in dataclasses.fields(declaration.settings):
        default = field.default
        if default is dataclasses.MISSING and field.default_factory is not dataclasses.MISSING:
            default = field.default_factory()
        described.append(
            SettingDescription(
                name=field.name,
                takes=_kind_of(properties.get(field.name, {})),
                default=None if default is dataclasses.MISSING else default,
                needed=default is dataclasses.MISSING,
                what=words.get(field.name, ""),
            )
        )
    return described


_KINDS = {
    "string": "text",
    "number": "number",
    "integer": "whole number",
    "boolean": "true or false",
    "array": "list",
    "object": "table",
}


def _kind_of(node: Mapping[str, Any]) -> str:
    if "enum" in node:
        return f"one of {', '.join(map(str, node['enum']))}"
    if "anyOf" in node:
        kinds = [_kind_of(branch) for branch in node["anyOf"] if branch.get("type") != "null"]
        return " or ".join(dict.fromkeys(kinds))
    kind = _KINDS.get(str(node.get("type")), "value")
    if kind == "list" and isinstance(node.get("items"), dict):
        return f"list ({_kind_of(node['items'])})"
    return kind


def _attribute_docstrings(declared: type[Any]) -> dict[str, str]:
    """The texts that stand below the fields of a class; none where its source cannot be had."""
    try:
        tree = ast.parse(textwrap.dedent(inspect.getsource(declared)))
    except (OSError, TypeError, SyntaxError, ValueError):
        return {}
    found: dict[str, str] = {}
    body = tree.body[0].body if tree.body and isinstance(tree.body[0], ast.ClassDef) else []
    for field, after in pairwise(body):
        if (
            isinstance(field, ast.AnnAssign)
            and isinstance(field.target, ast.Name)
            and isinstance(after, ast.Expr)
            and isinstance(after.value, ast.Constant)
            and isinstance(after.value.value, str)
        ):
            found[field.target.id] = " ".join(after.value.value.split())
    return found
