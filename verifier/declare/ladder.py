"""Whether a repair begins with the ladder for units that do not start, and which checks are its rungs."""

from __future__ import annotations

import re

from verifier.declare.order import RepairOrder
from verifier.declare.suite import Ladder, Rung, Suite


def ladder_for(suite: Suite, order: RepairOrder) -> Ladder | None:
    """The suite's ladder where the order's complaint says one of its phrases; None where it does not."""
    if suite.ladder is None or not order.complaint:
        return None
    complaint = _plain(order.complaint)
    said = any(re.search(rf"(?<!\w){re.escape(_plain(p))}(?!\w)", complaint) for p in suite.ladder.complaint)
    return suite.ladder if said else None


def rung_of(suite: Suite, check_id: str) -> Rung | None:
    """The rung that a check is; None for every other check."""
    rungs = suite.ladder.rungs if suite.ladder is not None else ()
    return next((rung for rung in rungs if rung.check == check_id), None)


def _plain(text: str) -> str:
    """As it is compared: capitals, spaces and kinds of apostrophe make no difference."""
    return " ".join(text.replace("’", "'").casefold().split())
