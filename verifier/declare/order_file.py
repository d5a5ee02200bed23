"""Reading a repair order, and holding it against the suite of its model."""

from __future__ import annotations

from pathlib import Path

from verifier.declare.model_file import load_model
from verifier.declare.notes import Notes
from verifier.declare.order import RepairOrder
from verifier.declare.spelling import shown
from verifier.declare.suite import Suite

DATES = frozenset({"opened", "applied", "expiry"})


def load_order(path: Path, suite: Suite | None = None) -> RepairOrder:
    """The repair order of a file. Raises InputError or InputProblems, as `load_model`."""

    def rules(notes: Notes, order: RepairOrder) -> None:
        if suite is not None:
            _against_suite(notes, order, suite)

    return load_model(path, RepairOrder, dates=DATES, rules=rules)


def _against_suite(notes: Notes, order: RepairOrder, suite: Suite) -> None:
    if order.model is not None and order.model != suite.model:
        what = f"the order is for model {shown(order.model)}, the suite for {shown(suite.model)}"
        notes.error(("model",), what, "Take the suite of that model, or mend the order.")
    for number, replaced in enumerate(order.replaced):
        if replaced.part not in suite.parts:
            to_do = notes.hint(replaced.part, suite.parts, "parts") if suite.parts else "The suite has no parts."
            what = f"the suite of {suite.model} has no part {shown(replaced.part)}"
            # Which part is missing is not a second mistake of an order for another model.
            notes.error(("replaced", number, "part"), what, to_do)
