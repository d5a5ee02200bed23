"""What a suite may ask of the station's instruments, looked at before anything is written or switched on."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Protocol, runtime_checkable

from verifier.declare.suite import Suite
from verifier.errors import InputError
from verifier.gather.instruments.description import Instrument
from verifier.gather.instruments.loading import load_instruments
from verifier.gather.instruments.services import INSTRUMENTS, instruments_of
from verifier.gather.workers.running import settings_of
from verifier.readings import Catalogue


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


def refuse_beyond_ceilings(suite: Suite, folder: Path, catalogue: Catalogue) -> None:
    """Raise InputError for a check that wants more than the station allows, or a station file that is wrong.

    An instrument that the station does not have is no matter of ceilings: the check is then not run.
    """
    if uses_instruments(suite, catalogue):
        refuse_beyond(suite, load_instruments(folder), str(folder), catalogue)


def refuse_beyond(suite: Suite, instruments: Mapping[str, Instrument], where: str, catalogue: Catalogue) -> None:
    """The same for instruments that are described already."""
    wrong = []
    for check in suite.checks:
        declaration = catalogue.declaration(check.probe) if check.probe else None
        if declaration is None or INSTRUMENTS not in declaration.services:
            continue
        settings = settings_of(declaration, check.settings)
        if not isinstance(settings, Demanding) or (instrument := instruments.get(settings.instrument)) is None:
            continue
        for name, value in settings.demands().items():
            ceiling = instrument.ceilings.get(name)
            if ceiling is not None and value > ceiling:
                unit = instrument.sets[name].unit
                wrong.append(
                    f"{check.id} wants {value:g} {unit} of {settings.instrument}, whose {name} has its ceiling at "
                    f"{ceiling:g} {unit}"
                )
    if wrong:
        raise InputError(
            "; ".join(wrong),
            where=where,
            to_do="Nothing was switched on. Mend the suite; the ceilings are the station's.",
        )
