"""A record as JUnit XML, for machines that collect test results.

Valid against the schema of the Ant JUnit tasks, which is narrower than what many programs write: it takes
neither name nor time on `<testsuites>`. A check that is inconclusive is a failure of that type: whoever
reads only the colour must not take it for a pass. The disposition is a case of its own, because a unit
may be held although no check failed. What was taken and not judged is skipped, never passed.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import TYPE_CHECKING

from verifier.readings import Disposition, Held, Verdict
from verifier.seal.record import Record, RecordedCheck
from verifier.show import words
from verifier.show.cycles import name_of
from verifier.show.outside import visible
from verifier.show.view import span

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

_ELEMENTS = {
    Verdict.FAIL: "failure",
    Verdict.INCONCLUSIVE: "failure",
    Verdict.BENCH_ERROR: "error",
    Verdict.NOT_RUN: "skipped",
}


def junit_xml(record: Record) -> bytes:
    """The document, UTF-8. Characters that XML cannot hold are written by their number."""
    from xml.etree import ElementTree as ET

    cases = [*(_case(check, record) for check in record.checks), _disposition(record)]
    counts = {
        kind: sum(1 for case in cases if case.find(kind) is not None) for kind in ("failure", "error", "skipped")
    }
    root = ET.Element("testsuites")
    suite = ET.SubElement(
        root,
        "testsuite",
        {
            "name": _token(record.suite.title) or "suite",
            "package": _token(record.suite.model),
            "id": "0",
            "hostname": _token(record.station.name) or "localhost",
            "timestamp": record.times.began[:19],
            "tests": str(len(cases)),
            "failures": str(counts["failure"]),
            "errors": str(counts["error"]),
            "skipped": str(counts["skipped"]),
            "time": _seconds(record.times.took_s),
        },
    )
    properties = ET.SubElement(suite, "properties")
    for name, value in (
        ("run", record.run),
        ("role", record.role),
        ("serial", record.unit.serial or ""),
        ("ticket", record.order.ticket or ""),
        ("suite-revision", str(record.suite.revision)),
        ("disposition", record.outcome.disposition.value),
    ):
        ET.SubElement(properties, "property", {"name": name, "value": visible(value)})
    suite.extend(cases)
    ET.SubElement(suite, "system-out").text = visible(words.headline(record.outcome))
    ET.SubElement(suite, "system-err")
    ET.indent(root)
    document: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return document + b"\n"


def _case(check: RecordedCheck, record: Record) -> Element:
    counting, finding = check.counting, check.finding
    took = span(counting.began, counting.ended) if counting else None
    case = _element(
        "testcase", name=_token(check.id), classname=_class(record, check.stage.value), time=_seconds(took)
    )
    verdict = finding.verdict if finding else Verdict.NOT_RUN
    if verdict is Verdict.PASS:
        return case
    if verdict is None:
        case.append(_element("skipped", message="taken, and not judged: the check has no limits"))
        return case
    reason = finding.reason if finding else "not taken, or begun and not finished"
    kind = _ELEMENTS[verdict]
    attributes = {"message": visible(f"{check.title}: {reason}")}
    if kind != "skipped":
        attributes["type"] = verdict.value
    found = _element(kind, **attributes)
    found.text = visible("\n".join(_lines(check)))
    case.append(found)
    return case


def _lines(check: RecordedCheck) -> list[str]:
    held = check.finding.held if check.finding else ()
    to_do = [check.finding.to_do] if check.finding and check.finding.to_do else []
    cycles = check.counting.cycles if check.counting else ()
    told = [
        f"{name_of(cycle)}: {cycle.finding.verdict.value}: {cycle.finding.reason}".removesuffix(": ")
        for cycle in cycles
        if cycle.finding is not None and cycle.finding.verdict is not None and not cycle.set_aside
    ]
    return [*to_do, *told, *_held_lines(held)]


def _held_lines(held: Sequence[Held]) -> list[str]:
    return [
        f"{h.reading}: {'no reading' if h.value is None else h.value} {h.unit}".rstrip() + f"; limit {h.limit}; "
        f"{h.verdict.value}{f': {h.reason}' if h.reason else ''}"
        for h in held
    ]


def _disposition(record: Record) -> Element:
    case = _element("testcase", name="disposition", classname=_token(record.suite.model), time="0")
    if record.outcome.disposition is not Disposition.RELEASE:
        case.append(
            _element(
                "failure",
                type=record.outcome.disposition.value,
                message=visible(words.headline(record.outcome)),
            )
        )
    return case


def _class(record: Record, stage: str) -> str:
    return f"{_token(record.suite.model)}.{stage}"


def _element(tag: str, **attributes: str) -> Element:
    from xml.etree import ElementTree as ET

    return ET.Element(tag, attributes)


def _token(text: str) -> str:
    """Text as the schema's token: no line breaks, no doubled spaces."""
    return " ".join(visible(text).split())


def _seconds(seconds: float | None) -> str:
    """As xs:decimal, which knows no exponent; 0 where it is not known."""
    return f"{Decimal(max(seconds or 0.0, 0.0)):.3f}"
