from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from verifier.readings import Disposition, Finding, Outcome, Verdict
from verifier.show.junit import junit_xml

XSD = Path(__file__).parents[1] / "reference" / "junit" / "JUnit.xsd"


@pytest.fixture(scope="module")
def schema() -> Any:
    return etree.XMLSchema(etree.parse(XSD))


def read(data: bytes, schema: Any) -> Any:
    root = etree.fromstring(data)
    assert schema.validate(root), schema.error_log
    return root


def test_every_verdict_has_its_place(sample: Any, schema: Any) -> None:
    record, _ = sample.everything()
    root = read(junit_xml(record), schema)
    cases = {case.get("name"): [(e.tag, e.get("type")) for e in case] for case in root.iter("testcase")}
    assert cases["usb-2-speed"] == [("failure", "fail")]
    assert cases["thermal-rise"] == [("failure", "inconclusive")]
    assert cases["clock-fast"] == [("error", "bench-error")]
    assert cases["audio-loop"] == [("skipped", None)]
    assert cases["second-radio"] == [("skipped", None)]
    assert cases["idle-trace"] == [("skipped", None)], "taken and not judged is not passed"
    assert cases["wifi-signal"] == []
    assert cases["disposition"] == [("failure", "rework")]
    (suite,) = root
    counted = {kind: int(suite.get(kind)) for kind in ("tests", "failures", "errors", "skipped")}
    assert counted == {"tests": 14, "failures": 3, "errors": 1, "skipped": 3}
    assert suite.get("timestamp") == "2026-11-25T10:15:12"
    assert float(suite.get("time")) == pytest.approx(2571.8)
    assert not root.attrib, "the schema refuses name and time here"


def test_a_failure_says_what_was_read_and_what_the_limit_is(sample: Any, schema: Any) -> None:
    root = read(junit_xml(sample.everything()[0]), schema)
    (failure,) = root.xpath("//testcase[@name='usb-2-speed']/failure")
    assert failure.get("message") == "Port 2 gives SuperSpeed: fell back to USB 2: one SuperSpeed pair is open"
    assert failure.text == "speed: 480 Mbit/s; limit at least 5000 Mbit/s; fail"


def test_a_unit_on_hold_is_not_green_though_every_check_passed(sample: Any, schema: Any) -> None:
    record, _ = sample.everything()
    passed = tuple(c for c in record.checks if c.finding and c.finding.verdict is Verdict.PASS)
    outcome = Outcome(disposition=Disposition.HOLD, reason="the cell lead is not covered")
    root = read(junit_xml(record.model_copy(update={"checks": passed, "outcome": outcome})), schema)
    assert root[0].get("failures") == "1"
    released = replace(outcome, disposition=Disposition.RELEASE)
    root = read(junit_xml(record.model_copy(update={"checks": passed, "outcome": released})), schema)
    assert root[0].get("failures") == "0"


def test_a_check_that_was_never_taken_is_skipped(sample: Any, schema: Any) -> None:
    record, _ = sample.everything()
    never = record.checks[0].model_copy(update={"attempts": ()})
    times = record.times.model_copy(update={"took_s": None})
    root = read(junit_xml(record.model_copy(update={"checks": (never,), "times": times})), schema)
    assert [e.tag for e in root.iter("skipped")] == ["skipped"]
    assert root[0].get("time") == "0.000"


@given(text=st.text(st.characters(exclude_categories=()), max_size=40), took=st.floats(0, 1e9))
def test_no_text_breaks_the_document(text: str, took: float, sample: Any, schema: Any) -> None:
    record, _ = sample.everything()
    fail = Finding(verdict=Verdict.FAIL, reason=text, held=(sample.held(text, text, None, text, limit=text),))
    check = sample.check("x", text, fail)
    record = record.model_copy(
        update={
            "checks": (check,),
            "suite": record.suite.model_copy(update={"title": text, "model": text}),
            "station": record.station.model_copy(update={"name": text}),
            "unit": record.unit.model_copy(update={"serial": text}),
            "outcome": Outcome(disposition=Disposition.HOLD, reason=text),
            "times": record.times.model_copy(update={"took_s": took}),
        }
    )
    read(junit_xml(record), schema)


def test_what_xml_cannot_hold_is_written_by_its_number(sample: Any, schema: Any) -> None:
    record, _ = sample.everything()
    fail = Finding(verdict=Verdict.FAIL, reason="a\x00b\x1b[31m\ufffe\ud800]]>&<")
    root = read(junit_xml(record.model_copy(update={"checks": (sample.check("x", "t", fail),)})), schema)
    (failure,) = root.xpath("//testcase[@name='x']/failure")
    assert failure.get("message") == "t: a⟨U+0000⟩b⟨U+001B⟩[31m⟨U+FFFE⟩⟨U+D800⟩]]>&<"
