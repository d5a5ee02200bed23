"""What a suite may ask of the station's instruments: nothing above the station's ceilings.

A check that wants more is not run, as where the instrument is missing: the bench cannot make it, and whatever
stands in for it is asked. Nothing is sent to the instrument.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from typing import Any, Protocol, runtime_checkable

from verifier.declare.suite import Suite
from verifier.errors import InputError, NotPossible
from verifier.gather.instruments.description import Instrument
from verifier.gather.instruments.services import INSTRUMENTS, instruments_of
from verifier.gather.workers.running import settings_of
from verifier.readings import Catalogue, ProbeDeclaration


@runtime_checkable
class Demanding(Protocol):
    """Settings of a probe that sets something."""

    @property
    def instrument(self) -> str: ...

    def demands(self) -> Mapping[str, float]:
        """What it will set, by the instrument's own name of the setting."""
        ...


def uses_instruments(suite: Suite, catalogue: Catalogue) -> bool:
    """Whether any check reads an instrument."""
    for check in suite.checks:
        declaration = catalogue.declaration(check.probe) if check.probe else None
        if declaration is not None and (
            INSTRUMENTS in declaration.services or (declaration.consults and instruments_of(check.settings))
        ):
            return True
    return False


def refuse_beyond(
    declaration: ProbeDeclaration, given: Mapping[str, Any], instruments: Mapping[str, Instrument]
) -> None:
    """Raise NotPossible for settings that want more of an instrument than the station allows."""
    settings: Any = None
    with suppress(InputError):  # which whoever takes the readings tells
        settings = settings_of(declaration, given)
    if not isinstance(settings, Demanding) or (instrument := instruments.get(settings.instrument)) is None:
        return
    wrong = [
        f"{name} {value:g} {instrument.sets[name].unit}, ceiling {instrument.ceilings[name]:g} "
        f"{instrument.sets[name].unit}"
        for name, value in settings.demands().items()
        if name in instrument.ceilings and value > instrument.ceilings[name]
    ]
    if wrong:
        raise NotPossible(
            f"this wants more of {settings.instrument} than its ceilings at this station allow "
            f"({'; '.join(wrong)}); nothing was switched on",
            to_do="Make it at a bench that may. What this one may stands as ceilings in the instrument's file.",
        )
