"""What can hurt or be harmed in a run of a suite: the suite's own cautions, then those of the probes it uses."""

from __future__ import annotations

from verifier.declare.suite import Suite
from verifier.readings import Catalogue


def cautions_of(suite: Suite, catalogue: Catalogue) -> tuple[str, ...]:
    """Each once, in the order of the checks."""
    used = dict.fromkeys(check.probe for check in suite.checks if check.probe)
    of_probes = [c for name in used if (d := catalogue.declaration(name)) is not None for c in d.cautions]
    return tuple(dict.fromkeys([*suite.cautions, *of_probes]))
