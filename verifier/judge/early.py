"""When a check may end early: as soon as the decision rule is satisfied, either way."""

from __future__ import annotations

from collections.abc import Sequence

from verifier.declare.suite import Check
from verifier.readings import Judge, Reading, Verdict


class DecidedEarly:
    """A stop rule: enough is what the judge itself would pass or fail.

    There is no second rule beside the judge's. What keeps the risk in bounds although it is asked several times
    is in the readings: they say how many looks share the risk (`Conditions.looks`), and the judge gives each
    its part.
    """

    def __init__(self, judge: Judge[Check]) -> None:
        self._judge = judge

    def __call__(self, check: Check, readings: Sequence[Reading]) -> bool:
        return self._judge(check, [readings]).verdict in (Verdict.PASS, Verdict.FAIL)
