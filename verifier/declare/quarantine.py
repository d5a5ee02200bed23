"""Which checks quarantine a unit when they fail, and which others must not be made before those have passed.

An *inspection* is a check with `on_fail = "quarantine"` that does not charge, load or heat the unit itself. What
does so comes after every inspection; lint holds suites to it, and the engine holds runs to it even where a
finding on the way was set aside.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from verifier.declare.check_readings import declaration_of
from verifier.declare.suite import Check, Suite
from verifier.readings import Catalogue, ProbeDeclaration

ENERGISING = frozenset({"energise", "load"})
"""Services of probes that may charge, load or heat the unit."""


def energises(declaration: ProbeDeclaration, settings: Mapping[str, Any]) -> bool:
    """Whether a probe may charge, load or heat the unit: it, its services or a relay card's contact say so."""
    return (
        bool(declaration.energises)
        or not ENERGISING.isdisjoint(declaration.services)
        or bool(settings.get("relay"))
    )


def energising(check: Check, catalogue: Catalogue) -> bool:
    """Whether a check may charge, load or heat the unit."""
    declaration = declaration_of(check, catalogue)
    return declaration is not None and energises(declaration, check.settings)


def charging(check: Check, catalogue: Catalogue) -> bool:
    """Whether a check charges the unit's battery."""
    declaration = declaration_of(check, catalogue)
    return declaration is not None and declaration.energises == "charges"


def all_before(suite: Suite) -> dict[str, set[str]]:
    """For each check all that it comes after, directly or through others; in a circle, itself too."""
    after = {check.id: check.after for check in suite.checks}
    found = {}
    for name, first in after.items():
        seen: set[str] = set()
        waiting = list(first)
        while waiting:
            other = waiting.pop()
            if other not in seen:
                seen.add(other)
                waiting.extend(after.get(other, ()))
        found[name] = seen
    return found


def prerequisites(suite: Suite) -> dict[str, tuple[str, ...]]:
    """For each check what must have passed: what it comes `after`, and each quarantining check behind that."""
    quarantining = [check.id for check in suite.checks if check.quarantines]
    before = all_before(suite) if quarantining else {}
    return {
        check.id: tuple(dict.fromkeys((*check.after, *(q for q in quarantining if q in before[check.id]))))
        for check in suite.checks
    }


def unguarded(suite: Suite, catalogue: Catalogue) -> dict[str, list[str]]:
    """Checks that can charge, load or heat the unit, each with the inspections that it could be made before."""
    if not any(check.quarantines for check in suite.checks):
        return {}
    before = all_before(suite)
    hot = {check.id for check in suite.checks if energising(check, catalogue)}
    # What is looked at again after a charge cannot come before it.
    first = [c.id for c in suite.checks if c.quarantines and c.id not in hot and not before[c.id] & hot]
    missing = {name: [i for i in first if i not in before[name]] for name in hot}
    return {name: inspections for name, inspections in missing.items() if inspections}
