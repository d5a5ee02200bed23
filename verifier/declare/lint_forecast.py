"""What a probe foresees from settings and limits: a check that cannot decide; and what cannot be taken again."""

from __future__ import annotations

from verifier.declare.forecast import forecast_of
from verifier.declare.notes import Notes
from verifier.declare.spelling import plain
from verifier.declare.suite import Suite
from verifier.readings import Catalogue


def lint_forecast(notes: Notes, suite: Suite, catalogue: Catalogue) -> None:
    """Warn where a probe says that a limit cannot be decided; refuse repeats of what lets the run pause."""
    for number, check in enumerate(suite.checks):
        declaration = catalogue.declaration(check.probe) if check.probe else None
        if declaration is None:
            continue
        at = ("checks", number)
        for key in ("repeat", "cycles") if declaration.pauses else ():
            if getattr(check, key) is not None:
                what = f"{check.probe} lets the run pause, and is taken once"
                notes.error((*at, key), what, f"Take {key} away.", at_key=True)
        forecast = forecast_of(check, declaration, suite.decision)
        if forecast is not None and forecast.problem:
            concerns = [(*at, "settings"), (*at, "limits")]
            notes.warning((*at, "settings"), plain(forecast.problem), plain(forecast.to_do), concerns=concerns)
