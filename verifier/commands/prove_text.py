"""The table of `suite prove` as a terminal shows it: escapes first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING

from verifier.commands.progress import printable

if TYPE_CHECKING:
    from verifier.declare.suite import Suite
    from verifier.prove import Proof
    from verifier.trends.detection import FaultTally, Tally

_NAME = 34


def proof_text(proof: Proof, columns: int = 80, *, whole: bool = True) -> str:
    """The table of a proof on simulated units."""
    from verifier.prove import MOTTO

    suite, extent, healthy = proof.subject.loaded.suite, proof.extent, proof.healthy
    tried = f"{healthy.runs} sound, {extent.each} with each of {len(proof.faults)} faults" if whole else "so far"
    head = (
        f"{MOTTO.capitalize()}: {suite.model} revision {suite.revision} on simulated units\n"
        f"{tried}; seed {extent.seed}"
    )
    return counts_text(head, suite, healthy, proof.faults, columns) + (
        f"Digest of the counts: {proof.to_json()['digest']}\n"
    )


def counts_text(head: str, suite: Suite, healthy: Tally, faults: Sequence[FaultTally], columns: int = 80) -> str:
    return "".join(f"{line}\n" for line in _lines(head, suite, healthy, faults, max(60, columns)))


def _lines(head: str, suite: Suite, healthy: Tally, faults: Sequence[FaultTally], columns: int) -> Iterator[str]:
    from verifier.trends.detection import escapes_first, false_alarms

    yield f"{head}. In brackets: exact 95 % intervals (Clopper and Pearson)."
    yield ""
    optional = {check.id for check in suite.checks if not check.required}
    rows = escapes_first(faults)
    for heading, wanted in (
        ("Escapes: released with the fault in it", lambda f: f.tally.escaped),
        ("Held, but never released: somebody has to look", lambda f: not f.tally.escaped and f.tally.held),
        ("Caught at every try", lambda f: not f.tally.escaped and not f.tally.held),
    ):
        group = [row for row in rows if wanted(row)]
        if group:
            yield f"{heading} ({len(group)} of {len(rows)} faults)"
            for row in group:
                yield from _fault(row, columns, optional)
            yield ""
    if not healthy.runs:
        yield "No sound unit was tried."
        return
    stated = suite.decision.reject_risk
    back = healthy.share(healthy.caught)
    yield f"Sound units sent back: {back.words}; held: {healthy.share(healthy.held).words}"
    alarms = false_alarms(healthy)
    for check, share in alarms:
        over = ", more than stated" if share.value > stated else ""
        yield f"  {check:<{_NAME}}  failed {share.words}{over}"
    if not alarms:
        yield f"  No check failed on a sound unit; {healthy.share(0).words} at each."
    yield f"Stated: at most {100 * stated:g} % false fails for each finding."


def _fault(row: FaultTally, columns: int, optional: set[str]) -> Iterator[str]:
    tally = row.tally
    name = f"{row.name}={row.severity}"
    outcome = [f"escaped {tally.share(tally.escaped).words}"] if tally.escaped else []
    if tally.held:
        outcome.append(f"held {tally.held}")
    if tally.caught or not outcome:
        outcome.append(
            f"caught {tally.share(tally.caught).words}" if not tally.escaped else f"caught {tally.caught}"
        )
    yield f"  {name:<{_NAME}}  {', '.join(outcome)}"
    found = row.found_by
    checks = (
        ", ".join(f"{c} {share.count}{' (not required)' * (c in optional)}" for c, share in found) or "no check"
    )
    place = f" ({row.joint})" if row.joint else ""
    text = f"{printable(row.title)}{place}. Found by {checks}."
    if tally.held and row.undecided_by:
        text += f" Undecided: {', '.join(f'{c} {n} ({verdict})' for c, verdict, n in row.undecided_by[:5])}."
    if row.joint and tally.caught and tally.placed < tally.caught:
        text += f" At the right joint: {tally.placed}."
    yield from wrap(text, columns, initial_indent="    ", subsequent_indent="    ")
