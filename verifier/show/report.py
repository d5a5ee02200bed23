"""The report: one self-contained HTML file that a person reads, made from the record.

`render_front` gives everything before the page's own seal, which `verifier.seal.page` appends. The same
record, disclosures and `RENDERER` give the same bytes: `audit --render` builds the page again and compares.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from verifier import shipped
from verifier.readings import Held, Verdict
from verifier.seal import Standing, page
from verifier.seal.record import Disclosed, Record
from verifier.show import amended, found_left, numbers, view, words
from verifier.show.outside import css_string, name, outside, visible
from verifier.show.scale import scale_svg

if TYPE_CHECKING:
    from jinja2 import Environment

RENDERER = "verifier-report/5"
"""Goes up with every change to the page's bytes for the same record."""

_LONGEST_IN_FOOT = 48
_EXAMPLE = Held(
    reading="example", verdict=Verdict.PASS, limit="90 to 110, as an example", source="", rule="guarded",
    value=98, lower=90, upper=110, u=2, interval=(94, 102), accept_from=94, accept_to=106,
)  # fmt: skip
"""What the key of the scale shows."""


def render_front(
    record: Record,
    disclosed: Disclosed,
    sealed: bytes,
    *,
    fingerprint: str,
    digest: str,
    standing: Standing | None = None,
) -> bytes:
    """The page up to its seal, as UTF-8 with LF line ends.

    `sealed` is the sealed record that the page carries, `fingerprint` the RFC 7638 thumbprint of the key,
    `digest` the record's SHA-256 in hex, which the page shows as text and as a QR code. Whoever holds the
    front appends the seal with `verifier.seal.page`. Personal fields without a disclosure read "withheld".
    `standing` holds the amendments that count.
    """
    standing = standing or Standing()
    html = (
        environment()
        .get_template("report.html")
        .render(**_context(record, disclosed, fingerprint, digest, standing))
    )
    return closed_front(html, sealed, [a.raw for a in standing.amendments])


def closed_front(html: str, sealed: bytes, amendments: Sequence[bytes]) -> bytes:
    """The page with what it carries, up to its seal."""
    return (html.rstrip("\n") + "\n" + page.embed(sealed, amendments) + "\n").encode("utf-8")


def _context(
    record: Record, disclosed: Disclosed, fingerprint: str, digest: str, standing: Standing
) -> dict[str, Any]:
    sealed_record, record = record, amended.as_corrected(record, standing)
    if disclosed:
        disclosed = disclosed | standing.disclosed
    checks = view.check_views(record, disclosed)
    called_for = [c for c in checks if not c.spared]
    # A unit that is dead or dangerous leaves dozens not run, all for one reason: a line each, behind the others.
    reasons = Counter(c.reason for c in called_for if c.bare)
    brief = {c.id for c in called_for if c.bare and reasons[c.reason] > words.MOST_ALIKE}
    groups = {
        word: sorted((c for c in called_for if c.verdict == word), key=lambda c: c.id in brief)
        for word in words.VERDICTS.values()
    }
    judged = [c for c in called_for if c.verdict != "noted"]
    note = words.role_note(record.role, record.host.address, record.host.faults)
    acts = [(act, view.person(act.by, disclosed)) for act in record.acts]
    return {
        "record": record,
        "renderer": RENDERER,
        "headline": amended.headline(record.outcome, standing),
        "found": "" if amended.stands(standing) else words.headline(record.outcome),
        "amendments": amended.views(standing, disclosed),
        "serial": amended.now("serial", sealed_record, standing),
        "ticket": amended.now("ticket", sealed_record, standing),
        "note": note,
        "checks": checks,
        "groups": groups,
        "brief": brief,
        "spared": [c for c in checks if c.spared],
        "passed": len(groups[Verdict.PASS.value]),
        "judged": len(judged),
        "technician": view.person(record.technician, disclosed) if record.technician else None,
        "order_technician": view.personal(record.order.technician, disclosed) if record.order.technician else None,
        "despite": [by_whom for by_whom in acts if by_whom[0].kind == "go-on"],
        "acts": [by_whom for by_whom in acts if by_whom[0].kind != "go-on"],
        "stood_still": [(stop, view.span(stop.at, stop.resumed)) for stop in record.interruptions],
        "found_left": found_left.pairs(record),
        "joints": view.joint_groups(record),
        "decision": words.decision_words(record.decision, record.outcome, view.guarded_passes(record)),
        "cautions": words.CAUTIONS,
        "defers": words.DEFERS,
        "no_certificate": words.NO_CERTIFICATE,
        "taken": view.taken(record, disclosed),
        "fingerprint": fingerprint,
        "digest": digest,
        "qr": qr(digest),
        "key": scale_svg(_EXAMPLE),
        "css": css(record, standing, note[0] if note else ""),
    }


def css(record: Record, standing: Standing, mark: str) -> Markup:
    """The style sheet, with the running foot of the printed page: text of the page cannot reach a page margin."""
    sheet = (shipped.folder("reports") / "report.css").read_text("utf-8")
    parts = (record.unit.serial or "no serial number", record.run, standing.word.upper(), mark)
    foot = " · ".join(
        part if len(part) <= _LONGEST_IN_FOOT else f"{part[:_LONGEST_IN_FOOT]}…" for part in parts if part
    )
    # Ours alone: css_string leaves nothing of the text that could end the string or the element.
    return Markup(sheet.replace('"FOOT"', css_string(foot)))  # noqa: S704


def qr(digest: str) -> Markup:
    import segno

    code = segno.make(f"sha256:{digest}", error="m", micro=False)
    svg = code.svg_inline(
        border=2, svgclass="qr", lineclass=None, omitsize=True, title="QR code of the record's digest"
    )
    return Markup(svg.replace("<svg ", '<svg role="img" ', 1).replace("\r\n", "\n"))  # noqa: S704 - made by segno


def _finalize(value: object) -> object:
    """Whatever a template prints is made visible, also where it does not think of it."""
    return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(shipped.folder("reports"), encoding="utf-8"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
        newline_sequence="\n",
    )
    environment.filters |= {
        "o": outside,
        "n": name,
        "value": numbers.value_text,
        "day": words.day,
        "day_and_time": words.day_and_time,
        "time_of_day": words.time_of_day,
        "duration": words.duration,
        "sentence": words.sentence,
        "capital": words.capital,
        "listed": words.listed,
    }
    return environment
