"""What is wrong between checks, parts and joints: names that nobody defined, circles, gaps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from verifier.declare.fasteners import ORDER_PROBE, fastener_types
from verifier.declare.flaws import KeyPath
from verifier.declare.notes import Notes
from verifier.declare.spelling import shown
from verifier.declare.suite import Check, Suite
from verifier.readings import Stage


def lint_joints(notes: Notes, suite: Suite) -> None:
    """Parts and joints, and the checks that cover them."""
    for name, part in suite.parts.items():
        for key, values, known, called in (
            ("joints", part.joints, suite.joints, "joint"),
            ("reached_through", part.reached_through, suite.parts, "part"),
        ):
            for number, value in enumerate(values):
                _known(notes, value, known, ("parts", name, key, number), called)
    for number, check in enumerate(suite.checks):
        for place, joint in enumerate(check.covers):
            _known(notes, joint, suite.joints, ("checks", number, "covers", place), "joint")
    for circle in circles({name: part.reached_through for name, part in suite.parts.items()}):
        place = suite.parts[circle[0]].reached_through.index(circle[1])
        path: KeyPath = ("parts", circle[0], "reached_through", place)
        what = f"these parts are reached through each other: {_chain(circle)}"
        if len(circle) == 2:
            what = f"{shown(circle[0])} is reached through itself"
        notes.error(path, what, "Take one of them out.")
    _fasteners(notes, suite)
    _gaps(notes, suite)


def _fasteners(notes: Notes, suite: Suite) -> None:
    types = fastener_types(suite)
    for number, check in enumerate(suite.checks):
        kind = check.settings.get("type") if check.probe == ORDER_PROBE else None
        if isinstance(kind, str) and kind not in types:
            path: KeyPath = ("checks", number, "settings", "type")
            to_do = notes.hint(kind, types, "there are") if types else "Give parts their fasteners."
            notes.error(
                path, f"no part is held by fasteners of the type {shown(kind)}", to_do, concerns=[("parts",)]
            )


def lint_order_of_checks(notes: Notes, suite: Suite) -> None:
    """Ids, and what comes `after` what, or waits until it is over (`once_done`)."""
    first: dict[str, int] = {}
    for number, check in enumerate(suite.checks):
        if check.id in first:
            origin = notes.found.origin(("checks", first[check.id]))
            what = f"the id {shown(check.id)} is taken by checks[{origin[-1]}]"
            notes.error(("checks", number, "id"), what, "Every check has an id of its own.")
        else:
            first[check.id] = number
    for number, check in enumerate(suite.checks):
        for key, place, other in waits_for(check):
            path: KeyPath = ("checks", number, key, place)
            if other not in first:
                to_do = notes.hint(other, first, "checks")
                notes.error(path, f"there is no check {shown(other)}", to_do, concerns=_unsure_ids(suite))
                continue
            earlier = suite.checks[first[other]]
            if earlier.stage.order > check.stage.order:
                what = f"{shown(other)} is made later, at stage {earlier.stage.value}"
                to_do = f"This check is made at stage {check.stage.value}; stages go {', '.join(Stage)}."
                stages: list[KeyPath] = [("checks", number, "stage"), ("checks", first[other], "stage")]
                notes.error(path, what, to_do, concerns=stages)
    waits = {check_id: [other for *_, other in waits_for(suite.checks[n])] for check_id, n in first.items()}
    for circle in circles(waits):
        number = first[circle[0]]
        path = next(
            ("checks", number, key, place)
            for key, place, other in waits_for(suite.checks[number])
            if other == circle[1]
        )
        if len(circle) == 2:
            notes.error(path, f"{shown(circle[0])} comes after itself")
        else:
            notes.error(path, f"these checks wait for each other: {_chain(circle)}", "Take one of them out.")


def waits_for(check: Check) -> list[tuple[str, int, str]]:
    """Key, place in it and check, for each other check that this one waits for."""
    return [
        (key, place, other)
        for key, others in (("after", check.after), ("once_done", check.once_done))
        for place, other in enumerate(others)
    ]


def circles(graph: Mapping[str, Sequence[str]]) -> list[list[str]]:
    """One way round each circle of a graph, the first name again at the end; each name in one circle at most."""
    left = {name: {to for to in targets if to in graph} for name, targets in graph.items()}
    found: list[list[str]] = []
    while _peel(left):
        name = next(iter(left))
        walk = [name]
        while name not in walk[:-1]:
            # Every name that is left leads on to another that is left.
            name = next(to for to in graph[name] if to in left)
            walk.append(name)
        circle = walk[walk.index(name) :]
        found.append(circle)
        for gone in circle[:-1]:
            del left[gone]
    return found


def _peel(left: dict[str, set[str]]) -> bool:
    """Take out what leads nowhere, until only circles and what leads into them are left."""
    waiting: dict[str, list[str]] = {}
    counts: dict[str, int] = {}
    for name, targets in left.items():
        there = [to for to in targets if to in left]
        counts[name] = len(there)
        for to in there:
            waiting.setdefault(to, []).append(name)
    ends = [name for name, count in counts.items() if count == 0]
    while ends:
        name = ends.pop()
        del left[name]
        for before in waiting.get(name, []):
            counts[before] -= 1
            if counts[before] == 0:
                ends.append(before)
    return bool(left)


def _chain(circle: list[str]) -> str:
    shown_ = circle if len(circle) <= 12 else [*circle[:11], "…", circle[-1]]
    return " → ".join(shown_)


def _unsure_ids(suite: Suite) -> list[KeyPath]:
    """The ids that were filled in: what is not found may be one of those."""
    return [
        ("checks", number, "id") for number, check in enumerate(suite.checks) if check.id.startswith("unnamed")
    ]


def _known(notes: Notes, name: str, known: Mapping[str, object], path: KeyPath, called: str) -> None:
    if name not in known:
        table = f"{called}s"
        to_do = notes.hint(name, known, table) if known else f"Add [{table}.{name}]."
        notes.error(path, f"the suite has no {called} {shown(name)}", to_do, concerns=[(table, name)])


def _gaps(notes: Notes, suite: Suite) -> None:
    if not suite.parts:
        return
    touched = {joint for part in suite.parts.values() for joint in part.joints}
    covered = {
        joint
        for check in suite.checks
        if check.judged and check.stage is not Stage.ARRIVAL
        for joint in check.covers
    }
    for joint in suite.joints:
        path: KeyPath = ("joints", joint)
        if joint not in touched:
            what = "no part lists this joint, so that no repair disturbs it"
            notes.warning(path, what, "Name it in the joints of a part.", at_key=True, concerns=[("parts",)])
        elif joint not in covered:
            what = "no check covers this joint: a repair that disturbs it needs a waiver"
            notes.warning(path, what, "Name it in the covers of a check.", at_key=True, concerns=[("checks",)])
