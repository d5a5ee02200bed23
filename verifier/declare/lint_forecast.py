"""What a probe foresees from settings and limits: a check that cannot decide, or that is ended too soon; and what
cannot be taken again."""

from __future__ import annotations

import math

from verifier.declare.check_readings import declaration_of
from verifier.declare.durations import duration_text
from verifier.declare.forecast import forecast_of, lasts_of
from verifier.declare.notes import Notes
from verifier.declare.spelling import plain
from verifier.declare.suite import Suite
from verifier.readings import Catalogue


def lint_forecast(notes: Notes, suite: Suite, catalogue: Catalogue) -> None:
    """Warn where a probe says that a limit cannot be decided, or that it lasts longer than it may; refuse repeats
    of what lets the run pause."""
    for number, check in enumerate(suite.checks):
        declaration = declaration_of(check, catalogue)
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
        lasts, ended = lasts_of(check, declaration), check.timeout or declaration.timeout * check.takes
        if lasts is not None and lasts > ended:
            key = "timeout" if check.timeout else "settings"
            what = (
                f"{check.probe} may last {duration_text(lasts)} with these settings, "
                f"and is ended after {duration_text(ended)}"
            )
            to_do = f'Give it time: timeout = "{_enough(lasts)} min".'
            notes.warning((*at, key), what, to_do, concerns=[(*at, "settings"), (*at, "timeout")])


def _enough(seconds: float) -> int:
    """Minutes: so long, a tenth more for what links and instruments take, and half a minute."""
    return math.ceil((1.1 * seconds + 30) / 60)
