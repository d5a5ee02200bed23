"""What to do about a failed check: which joints to look at, nearest cause first, and how to reach them."""

from __future__ import annotations

from verifier.declare.coverage import taken_out
from verifier.declare.plan import Plan
from verifier.declare.suite import Check, Suite


def look_at(plan: Plan, check: Check) -> str:
    """ "look at Left antenna lead (disturbed by this repair), then Radio socket"; empty without joints."""
    # The repair touched these, so the cause is likelier there than in a joint left alone.
    nearest = sorted(check.covers, key=lambda joint: joint not in plan.disturbed)
    said = [
        plan.suite.joints[joint].title + (" (disturbed by this repair)" if joint in plan.disturbed else "")
        for joint in nearest
    ]
    return f"look at {', then '.join(said)}" if said else ""


def part_to_open(suite: Suite, check: Check) -> str | None:
    """The part of the check's joints that is reached with the least taken out; None where no part has them."""
    parts = [name for name, part in suite.parts.items() if set(part.joints) & set(check.covers)]
    return min(parts, key=lambda name: len(taken_out(suite, [name])), default=None)


def way_in(suite: Suite, part: str) -> str:
    """What comes out on the way to a part, and it, in short: "Rear cover, Storage module, Connector board"."""
    return ", ".join(suite.parts[name].title.partition(",")[0] for name in taken_out(suite, [part]))
