"""Which joints a repair disturbs, and which checks prove them."""

from __future__ import annotations

from collections.abc import Iterable

from verifier.declare.suite import Check, PromptKind, Suite


def taken_out(suite: Suite, parts: Iterable[str]) -> set[str]:
    """The parts themselves and all that had to come out of the way, transitively.

    Raises KeyError for a part that the suite does not have.
    """
    out: set[str] = set()
    waiting = list(parts)
    while waiting:
        part = waiting.pop()
        if part not in out:
            out.add(part)
            waiting.extend(suite.parts[part].reached_through)
    return out


def disturbed_joints(suite: Suite, parts: Iterable[str]) -> tuple[str, ...]:
    """Joints disturbed when `parts` are replaced or reopened, in the order the suite names them."""
    touched = {joint for part in taken_out(suite, parts) for joint in suite.parts[part].joints}
    return tuple(joint for joint in suite.joints if joint in touched)


def by_eye_only(check: Check) -> bool:
    """Whether a check proves its joints only weakly: a person's bare yes, with nothing counted or read."""
    return check.prompt is PromptKind.CONFIRM
