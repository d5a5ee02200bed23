"""Rules between the keys of one table of a suite: each gives all that is wrong, none raises.

The models raise the first; lint leaves that out (`SHAPE_ONLY`) and tells them all, each at its own key.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import ValidationInfo

if TYPE_CHECKING:
    from verifier.declare.suite import Check, Cycles, Limit, Statement

SHAPE_ONLY = {"shape_only": True}
"""Validation context with which the models leave these rules out."""

Complaint = tuple[tuple[str, ...], str]
"""The keys concerned, the first being the one to point at (empty: at all of it), and what is wrong with them."""


def raise_first(complaints: list[Complaint], info: ValidationInfo) -> None:
    """ValueError with the first complaint, for validators of the models."""
    if complaints and not (info.context or {}).get("shape_only"):
        raise ValueError(complaints[0][1])


def limit_complaints(limit: Limit) -> list[Complaint]:
    """What is wrong between the keys of a limit."""
    forms = [
        (("at_least", "at_most"), limit.at_least is not None or limit.at_most is not None),
        (("nominal", "tolerance"), limit.nominal is not None or limit.tolerance is not None),
        (("equals",), limit.equals is not None),
        (("one_of",), limit.one_of is not None),
        (("matches",), limit.matches is not None),
        (("is",), limit.is_ is not None),
    ]
    complaints: list[Complaint] = []
    if sum(given for _, given in forms) != 1:
        keys = tuple(key for names, _ in forms for key in names)
        complaints.append(
            (
                ("", *keys),
                "a limit has exactly one form: at_least and/or at_most, nominal with tolerance, "
                "equals, one_of, matches, or is",
            )
        )
    elif (limit.nominal is None) != (limit.tolerance is None):
        complaints.append((("nominal", "tolerance"), "nominal and tolerance go together"))
    if limit.at_least is not None and limit.at_most is not None and limit.at_least > limit.at_most:
        complaints.append(
            (("at_least", "at_most"), f"at_least {limit.at_least:g} is above at_most {limit.at_most:g}")
        )
    return complaints


def cycles_complaints(cycles: Cycles) -> list[Complaint]:
    """What is wrong between the keys of cycles."""
    if cycles.times is None and len(cycles.positions) < 2:
        return [(("", "times", "positions"), "cycles are at least two: give times, or two positions or more")]
    if cycles.times is not None and cycles.times < len(cycles.positions):
        return [(("times", "positions"), f"there are {len(cycles.positions)} positions and fewer cycles")]
    return []


def statement_complaints(statement: Statement) -> list[Complaint]:
    """What is wrong between the keys of a statement of uncertainty."""
    complaints: list[Complaint] = []
    if (statement.u is None) == (statement.half_width is None):
        complaints.append((("", "u", "half_width"), "give either u or half_width"))
    elif statement.half_width is not None and statement.dof is not None:
        complaints.append((("dof", "half_width"), "dof belongs to u; a half_width stands for firm bounds"))
    return complaints


def check_complaints(check: Check) -> list[Complaint]:
    """What is wrong between the keys of a check: each kind of check has its own."""
    if (check.probe is None) == (check.prompt is None):
        key = "" if check.probe is None else "probe"
        return [((key, "probe", "prompt"), "a check has either a probe or a prompt")]
    own = _probe_complaints(check) if check.probe is not None else _prompt_complaints(check)
    return own + _outcome_complaints(check)


def _outcome_complaints(check: Check) -> list[Complaint]:
    """Rules on what becomes of the verdict."""
    rules = [
        (("on_fail", "limits"), check.quarantines and not check.limits, "without limits it never fails"),
        (("on_fail", "required"), check.quarantines and not check.required, "what quarantines is always required"),
        (
            ("cycles", "limits"),
            check.cycles is not None and not check.limits,
            "each cycle is judged by itself, and this check has no limits",
        ),
    ]
    return [(keys, what) for keys, wrong, what in rules if wrong]


def _probe_complaints(check: Check) -> list[Complaint]:
    given = {
        "say": check.say,
        "picture": check.picture,
        "options": check.options,
        "range": check.range,
        "duration": check.duration,
        "unit": check.unit,
        "second_person": check.second_person,
    }
    return [
        ((key, "probe", "prompt"), f"{key} belongs to a prompt, and this check has a probe")
        for key, value in given.items()
        if value
    ]


def _prompt_complaints(check: Check) -> list[Complaint]:
    kind = check.prompt
    rules = [
        (("say",), check.say is None, "a prompt needs say: the words the technician reads"),
        (("settings",), bool(check.settings), "settings belong to a probe, and this check has a prompt"),
        (
            ("seen_from",),
            check.seen_from == "bench",
            "seen_from belongs to a probe, and this check has a prompt",
        ),
        (("options",), kind == "choice" and not check.options, "a choice needs options"),
        (("options",), kind != "choice" and bool(check.options), "options belong to a choice"),
        (("duration",), kind == "timed" and not check.duration, "a timed prompt needs a duration"),
        (
            ("duration",),
            kind != "timed" and check.duration is not None,
            "duration belongs to a timed prompt",
        ),
        (
            ("limits",),
            kind == "note" and bool(check.limits),
            "a note is never judged; use text, choice or confirm",
        ),
        (
            ("range",),
            check.range is not None and kind not in ("number", "count"),
            "range belongs to a number or a count",
        ),
        (
            ("unit",),
            kind == "number" and not check.unit,
            'a number needs a unit ("1" for a plain number)',
        ),
        (("unit",), kind != "number" and bool(check.unit), "unit belongs to a number prompt"),
    ]
    return [((*keys, "prompt"), what) for keys, wrong, what in rules if wrong]
