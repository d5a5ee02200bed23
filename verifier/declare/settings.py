"""A probe's settings from a suite, held against what the probe declares."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from itertools import islice
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
        adapter: TypeAdapter[Any] = adapter_of(declaration.settings)  # type: ignore[arg-type]
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
