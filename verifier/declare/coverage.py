"""Which joints a repair disturbs, and which checks prove them."""

from __future__ import annotations

from collections.abc import Iterable

from verifier.declare.suite import Check, PromptKind, Suite


def taken_out(suite: Suite, parts: Iterable[str]) -> tuple[str, ...]:
    """The parts themselves and all that has to come out of the way, in the order in which they come out.

    Raises KeyError for a part that the suite does not have.
    """
    out: dict[str, None] = {}
    met: set[str] = set()
    waiting = list(parts)[::-1]
    while waiting:
        part = waiting[-1]
        met.add(part)
        first = [other for other in suite.parts[part].reached_through if other not in met]
        if first:
            waiting.extend(first[::-1])
        else:
            out[waiting.pop()] = None
    return tuple(out)


def disturbed_joints(suite: Suite, parts: Iterable[str]) -> tuple[str, ...]:
    """Joints disturbed when `parts` are replaced or reopened, in the order the suite names them."""
    touched = {joint for part in taken_out(suite, parts) for joint in suite.parts[part].joints}
    return tuple(joint for joint in suite.joints if joint in touched)


def by_eye_only(check: Check) -> bool:
    """Whether a check proves its joints only weakly: a person's bare yes, with nothing counted or read."""
    return check.prompt is PromptKind.CONFIRM
