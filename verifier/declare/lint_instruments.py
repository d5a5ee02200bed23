"""Instruments of the bench are resources: a check that uses one names it in `needs`."""

from __future__ import annotations

from verifier.declare.check_readings import declaration_of
from verifier.declare.notes import Notes
from verifier.declare.spelling import shown
from verifier.declare.suite import Suite
from verifier.readings import Catalogue

INSTRUMENTS = "instruments"
"""The service that probes need which read the bench's instruments."""
NAMING = ("instrument", "meter", "relay", "thermometer")
"""Settings of these probes that name an instrument."""


def lint_instruments(notes: Notes, suite: Suite, catalogue: Catalogue) -> None:
    """Warn where `needs` leaves out an instrument: whoever reads the suite should see what keeps checks apart."""
    for number, check in enumerate(suite.checks):
        declaration = declaration_of(check, catalogue)
        if declaration is None or not (INSTRUMENTS in declaration.services or declaration.consults):
            continue
        for key in NAMING:
            name = check.settings.get(key)
            if isinstance(name, str) and name and name not in check.needs:
                at = ("checks", number)
                what = f"the check uses the instrument {shown(name)}, and needs does not name it"
                needs = ", ".join(shown(n) for n in (*check.needs, name))
                notes.warning((*at, "settings", key), what, f"Add needs = [{needs}].", concerns=[(*at, "needs")])
