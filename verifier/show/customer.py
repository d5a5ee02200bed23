"""The page for the customer: one page, in plain words, without anybody's name, under the same seal.

It carries the sealed record without what is disclosed beside it: the seal is as good, and the names
are withheld from this copy. Identifiers and terms of the workshop are left out; nothing is said
that the record does not say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from verifier.readings import Disposition, Verdict
from verifier.seal import Standing
from verifier.seal.record import Disclosed, Record, RecordedCheck
from verifier.show import amended, words
from verifier.show.report import closed_front, css, environment, qr

MOST_LISTED = 36
"""Checks that are listed by name: more would not fit on one page. What did not pass is listed first."""

_RESULTS = {
    Disposition.RELEASE: ("Passed", "The unit passed every test that this repair requires."),
    Disposition.REWORK: ("Not passed", "At least one required test did not pass. The unit needs more work."),
    Disposition.HOLD: ("Not decided yet", "The tests that were made do not settle whether the unit is in order."),
    Disposition.QUARANTINED: (
        "Stopped for safety",
        "The unit was found unsafe to test. Do not charge it or switch it on; the workshop keeps it apart.",
    ),
}
_GROUPS: tuple[tuple[Verdict, str], ...] = (
    (Verdict.FAIL, "Did not pass"),
    (Verdict.INCONCLUSIVE, "Could not be decided"),
    (Verdict.BENCH_ERROR, "Could not be tested, because our equipment failed"),
    (Verdict.NOT_RUN, "Not tested"),
    (Verdict.PASS, "Passed"),
)
_CAUTIONS = (
    "A swollen, dented, leaking or hot lithium cell is dangerous: switch the unit off, do not charge it, "
    "and bring it to a repairer.",
    "Keep coin cells from children: swallowed, they can kill within hours. If one may have been swallowed, get "
    "medical help at once.",
    "Surfaces get hot under load. Work inside the unit and on mains voltage is for qualified people.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Checks with one result."""

    heading: str
    titles: tuple[str, ...]
    more: int
    """How many are not listed by name."""


def render_customer(
    record: Record,
    _: Disclosed,
    sealed: bytes,
    *,
    fingerprint: str,
    digest: str,
    standing: Standing | None = None,
) -> bytes:
    """The page up to its seal, as `render_front` gives the report. `sealed` is the copy that withholds the names;
    what is disclosed beside the record is not used.
    """
    standing = standing or Standing()
    headline, said = result(record, standing)
    shown = amended.as_corrected(record, standing)
    note = words.role_note(record.role, record.host.address, record.host.faults)
    html = (
        environment()
        .get_template("customer.html")
        .render(
            record=shown,
            headline=headline,
            said=said,
            stands=amended.stands(standing),
            note=note,
            serial=amended.now("serial", record, standing),
            ticket=amended.now("ticket", record, standing),
            complaint=shown.order.complaint,
            corrected=tuple(dict.fromkeys(c.field for a in standing.corrections for c in a.fields)),
            groups=groups(record.checks),
            unproved=unproved(record),
            cautions=_CAUTIONS,
            no_certificate=words.NO_CERTIFICATE,
            fingerprint=fingerprint,
            digest=digest,
            qr=qr(digest),
            css=css(shown, standing, note[0] if note else ""),
        )
    )
    return closed_front(html, sealed, [amendment.withhold() for amendment in standing.amendments])


def result(record: Record, standing: Standing) -> tuple[str, str]:
    """The result in a word or two, and in a sentence."""
    if standing.voided:
        return "Withdrawn", f"This report no longer counts: {words.sentence(standing.voided.reason)}"
    if standing.superseded:
        reason = words.sentence(standing.superseded.reason)
        return "Replaced by a newer report", f"This report no longer counts: {reason} Ask for the newer one."
    return _RESULTS[record.outcome.disposition]


def groups(checks: Sequence[RecordedCheck]) -> tuple[Group, ...]:
    """The checks by their results, what did not pass first. What was taken and not judged is left out."""
    room, found = MOST_LISTED, []
    for verdict, heading in _GROUPS:
        titles = [check.title for check in checks if _verdict(check) is verdict]
        if titles:
            listed = tuple(titles[:room])
            found.append(Group(heading=heading, titles=listed, more=len(titles) - len(listed)))
            room -= len(listed)
    return tuple(found)


def _verdict(check: RecordedCheck) -> Verdict | None:
    finding = check.finding
    if finding is None:
        return Verdict.NOT_RUN
    return None if finding.not_fitted or finding.not_needed else finding.verdict


def unproved(record: Record) -> tuple[str, ...]:
    """Joints that the repair disturbed and nothing proved."""
    return tuple(
        joint.title
        for joint in record.outcome.joints
        if joint.disturbed and joint.coverage in ("not-covered", "waived")
    )
