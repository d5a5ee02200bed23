"""What charges, loads or heats a unit comes after the inspections that can quarantine it."""

from __future__ import annotations

from verifier.declare.flaws import KeyPath
from verifier.declare.notes import Notes
from verifier.declare.quarantine import charging, unguarded
from verifier.declare.spelling import shown
from verifier.declare.suite import Suite
from verifier.readings import Catalogue


def lint_quarantine(notes: Notes, suite: Suite, catalogue: Catalogue) -> None:
    """Tell every check that can charge, load or heat the unit and could be made before an inspection."""
    missing = unguarded(suite, catalogue)
    inspected = any(check.quarantines for check in suite.checks)
    for number, check in enumerate(suite.checks):
        if not inspected and charging(check, catalogue):
            what = "the check charges a battery, and no check quarantines the unit where a cell is damaged"
            to_do = 'Before it, ask for bulge, dent, leak and smell in checks with on_fail = "quarantine".'
            notes.warning(("checks", number, "probe"), what, to_do, concerns=[("checks",)])
        inspections = missing.get(check.id)
        if inspections:
            path: KeyPath = ("checks", number, "after")
            named = ", ".join(map(shown, inspections))
            what = (
                "the check can charge, load or heat the unit, and could be made before "
                f"{named}, which may quarantine it"
            )
            to_do = f"Add after = [{', '.join(map(shown, (*check.after, *inspections)))}]."
            concerns: list[KeyPath] = [("checks", number, "id"), ("checks", number, "probe")]
            notes.error(path, what, to_do, at_key=True, concerns=concerns)
