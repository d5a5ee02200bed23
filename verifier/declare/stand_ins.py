"""Checks that stand in for others (`instead_of`): a prompt where the bench has no instrument.

Of a check and its stand-ins, one side is made: the stand-ins only where the check itself could not be run. A bench
error is no such case, and a fail even less: neither is asked away.
"""

from __future__ import annotations

from verifier.declare.suite import Check, Suite
from verifier.readings import Finding, Verdict


def spared(suite: Suite, check: Check, finding: Finding) -> str:
    """Why a stand-in is not made, given the finding of the check that it stands in for; empty where it is made."""
    if check.instead_of is None or finding.verdict is Verdict.NOT_RUN:
        return ""
    return f"not needed: “{suite.check(check.instead_of).title}” was made"


def stood_in_for(suite: Suite, check: Check) -> bool:
    """Whether another check stands in for this one: where it was not run, that one is required in its place."""
    return any(other.instead_of == check.id for other in suite.checks)
