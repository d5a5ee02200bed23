"""What the report says in its own words: headline, decision rule, cautions, times."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime

from verifier.declare.suite import Decision, Rule
from verifier.readings import Basis, Contribution, Disposition, Held, InjectedFault, Outcome, Role, Shape, Verdict
from verifier.show import numbers

_ASCII_MINUS = re.compile(r"(?<![\w.])-(?=\d)")
_DISPOSITIONS = {
    Disposition.RELEASE: "Released",
    Disposition.REWORK: "Back to rework",
    Disposition.HOLD: "On hold",
    Disposition.QUARANTINED: "Quarantined",
}

VERDICTS: dict[Verdict | None, str] = {
    Verdict.FAIL: "fail",
    Verdict.INCONCLUSIVE: "inconclusive",
    Verdict.BENCH_ERROR: "bench-error",
    Verdict.NOT_RUN: "not-run",
    Verdict.PASS: "pass",
    None: "noted",
}
"""Verdicts in the order a report lists them: what needs somebody first. Noted: taken, and not judged."""

MOST_ALIKE = 4
"""So many checks that were not run for one reason are told one by one; more are told together."""

CAUTIONS: tuple[tuple[str, str], ...] = (
    ("Static", "Open units are sensitive to electrostatic discharge: work on an earthed mat, with a wrist strap."),
    ("Heat", "Heat blocks and loads stay hot after a test: let them cool, or wear gloves."),
    (
        "Lithium",
        "Do not charge, press or test a swollen, dented, leaking or hot cell: stop, and quarantine the unit.",
    ),
    (
        "Coin cells",
        "A swallowed coin cell can kill within hours: keep cells away from children. "
        "If one may have been swallowed, get medical help at once.",
    ),
    ("Mains", "Work on mains circuits and mains safety tests are for qualified people only."),
)
"""Of the work, each with a word to find it by. They never replace the maker's service guide."""

DEFERS = "The maker’s service guide and the codes of the place come before anything said here."
NO_CERTIFICATE = "This report is no calibration certificate and no safety test."


def sentence(text: str) -> str:
    """The text with its full stop, unless it ends in a mark of its own; empty stays empty."""
    text = text.strip()
    return text if not text or text[-1] in ".!?…" else f"{text}."


def headline(outcome: Outcome) -> str:
    """The disposition in words with its reason, for the next person who acts."""
    word = _DISPOSITIONS[outcome.disposition]
    reason = sentence(outcome.reason)
    return f"{word}: {reason}" if reason else f"{word}."


def role_note(role: Role, address: str = "", faults: Sequence[InjectedFault] = ()) -> tuple[str, str] | None:
    """A mark and what it means, for records that no bench sealed about a real unit; None for those.

    `address` is the host's, which tells a recording from a simulation; `faults` were put into the simulated unit.
    """
    if role == "simulated" and address.startswith("recorded:"):
        return ("From a recording", "No unit was on the bench: every probe read what was recorded of one before.")
    if role == "simulated":
        said = "No real unit was tested. Every reading here comes from a simulation."
        put_in = "; ".join(f"{fault.title} ({fault.severity})" for fault in faults)
        return ("Simulated", f"{said} Put in on purpose: {put_in}." if put_in else said)
    if role == "self":
        return (
            "Sealed by the unit itself, not by a bench",
            "The machine that was tested also kept the key: the seal shows later changes, "
            "not whether the machine spoke the truth about itself.",
        )
    return None


def limit_words(held: Held) -> str:
    """The limit as the judge words it, with the unit and the minus sign as people write them."""
    if held.lower is None and held.upper is None:
        return held.limit
    text = held.limit
    if held.unit and text.endswith(f" {held.unit}"):
        text = numbers.with_unit(text.removesuffix(f" {held.unit}"), held.unit)
    return _ASCII_MINUS.sub(numbers.MINUS, text)


def capital(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def listed(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def counted(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def decision_words(decision: Decision, outcome: Outcome, guarded_passes: int) -> tuple[str, ...]:
    """The decision rule in words, with its risk and what it adds up to for the whole unit."""
    if decision.rule is Rule.SIMPLE:
        return (
            "Simple rule: each reading is held against its limit as it stands. The uncertainty is shown where it "
            "is known, and not used: a reading close to its limit may be on the wrong side of it.",
        )
    accept, reject = numbers.percent(decision.max_false_accept), numbers.percent(decision.reject_risk)
    said = [
        f"Guarded rule: a reading passes only when the chance that the true value lies outside its limits is at "
        f"most {accept}, and fails only when the chance that it lies inside them is at most {reject}. In between "
        f"it is inconclusive, and the finding says what would decide it (JCGM 106:2012, specific risk).",
        "Counts, states, texts and yes-or-no answers are compared as they are. Where only the resolution of a "
        "reading is known, it is held against its limit as it stands and marked “repeatability not evaluated”.",
    ]
    if outcome.risk_bound is not None and guarded_passes:
        passes = counted(guarded_passes, "guarded pass", "guarded passes")
        bound = numbers.percent(min(outcome.risk_bound, 1.0))
        said.append(
            f"That risk is for each limit on its own. Over the {passes} of this unit together, the "
            f"chance that at least one is wrong is at most {bound}."
        )
    return tuple(said)


_BASES = {
    Basis.SPECIFICATION: "specification",
    Basis.STUDY: "study",
    Basis.STATEMENT: "author’s statement",
    Basis.RESOLUTION: "resolution",
    Basis.REPEATS: "repeated readings",
}


def basis_words(contribution: Contribution) -> str:
    return _BASES[contribution.basis]


def shape_words(shape: Shape) -> str:
    return shape.value


def distribution_words(held: Held) -> str:
    """How the value is spread about the reading: "normal", "t, 4.2 degrees of freedom"."""
    if held.distribution == "t" and held.dof is not None:
        return f"t, {numbers.plain(float(f'{held.dof:.3g}'))} degrees of freedom"
    return held.distribution.replace("-", "–")


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

_LONG_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def _moment(rfc3339: str) -> datetime | None:
    try:
        return datetime.fromisoformat(rfc3339)
    except ValueError:
        return None


def day(rfc3339: str) -> str:
    """ "25 November 2026"; text that is no time comes back as it is."""
    at = _moment(rfc3339)
    return rfc3339 if at is None else f"{at.day} {_LONG_MONTHS[at.month - 1]} {at.year}"


def day_and_time(rfc3339: str) -> str:
    """ "25 Nov 2026, 10:15:12 UTC"; text that is no time comes back as it is."""
    at = _moment(rfc3339)
    if at is None:
        return rfc3339
    return f"{at.day} {_MONTHS[at.month - 1]} {at.year}, {at:%H:%M:%S} UTC"


def time_of_day(rfc3339: str) -> str:
    at = _moment(rfc3339)
    return rfc3339 if at is None else f"{at:%H:%M:%S}"


def duration(seconds: float) -> str:
    """A duration as people say it: "20 ms", "4.2 s", "43 min 10 s", "2 h 5 min", "3 d 4 h"."""
    if 0 < seconds < 0.0995:
        return f"{numbers.fixed(seconds * 1000, 0)}{numbers.THIN}ms"
    if seconds < 59.95:
        return f"{numbers.fixed(seconds, 1 if seconds < 9.95 else 0)}{numbers.THIN}s"
    whole = round(seconds)
    for size, unit, small, small_unit in ((86_400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s")):
        if whole >= size:
            rest = whole % size // small
            big = f"{whole // size}{numbers.THIN}{unit}"
            return f"{big} {rest}{numbers.THIN}{small_unit}" if rest else big
    return f"{whole}{numbers.THIN}s"
