"""Cycles, what to do next, and a quarantine as report, JUnit and screen show them."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from lxml import etree

from verifier.commands.progress import Lines, cycle_line, quarantine_lines, summary
from verifier.declare.suite import Check
from verifier.readings import Cycle, Disposition, FaultRate, Finding, Moment, Outcome, Reading, Verdict
from verifier.seal import Standing
from verifier.seal.record import Record, RecordedAttempt, RecordedCheck
from verifier.show import junit_xml
from verifier.show.customer import result
from verifier.show.cycles import cycles_view, take_names

NOW = Moment(wall="2026-11-25T10:00:00.000Z", boot="1.0", boot_id="b")
REASON = (
    "cycle 3 of 4 (upright): no, not yes; 25 % of cycles fail (95 % interval 0.63 % to 80.6 %, Clopper-Pearson)"
)


def cycle(
    number: int, verdict: Verdict, *, first: int, reason: str = "", position: str = "", aside: str = ""
) -> Cycle:
    finding = Finding(verdict=verdict, reason=reason)
    return Cycle(
        number=number, began=NOW, position=position, first_take=first, takes=1, finding=finding, set_aside=aside
    )


CYCLES = (
    cycle(1, Verdict.PASS, first=0),
    cycle(2, Verdict.BENCH_ERROR, first=1, reason="adapter gone", aside="the bench failed: taken again"),
    cycle(2, Verdict.PASS, first=2),
    cycle(3, Verdict.FAIL, first=3, reason="no, not yes", position="upright"),
    cycle(4, Verdict.PASS, first=4),
)


def record(sample: Any, *, position: str = "upright", to_do: str = "") -> Record:
    finding = Finding(
        verdict=Verdict.FAIL,
        reason=REASON,
        to_do=to_do,
        rate=FaultRate(cycles=4, failed=1, lower=0.0063, upper=0.806),
    )
    cycles = tuple(c if c.number != 3 else cycle(3, Verdict.FAIL, first=3, position=position) for c in CYCLES)
    takes = tuple((Reading(name="confirm", value=n != 3),) for n in range(5))
    attempt = RecordedAttempt(began=NOW, ended=NOW, takes=takes, finding=finding, cycles=cycles)
    check = RecordedCheck(id="lamp", title="Lamp", stage="closed", required=True, attempts=(attempt,))
    made: Record = sample.everything()[0]
    return made.model_copy(update={"checks": (check,)})


def test_the_drawing_has_a_mark_for_each_cycle_that_counts() -> None:
    view = cycles_view(CYCLES)
    assert view is not None
    paths = [path.get("d") for path in etree.fromstring(view.drawing).iter("path")]
    assert paths[0].count("M") == 3 and paths[1].count("M") == 1  # three passed, one failed
    assert view.lines == (
        ("cycle 2", "bench-error", "adapter gone; the bench failed: taken again."),
        ("cycle 3 (upright)", "fail", "no, not yes."),
    )


def test_a_long_row_goes_on_in_the_next_and_says_how_much_it_leaves_out() -> None:
    view = cycles_view([cycle(n, Verdict.FAIL, first=n - 1) for n in range(1, 48)])
    assert view is not None and len(view.lines) == 12 and view.more == 35
    (described,) = etree.fromstring(view.drawing).iter("desc")
    assert described.text.startswith("20 columns and 3 rows.") and "failed: 47" in described.text


def test_takes_are_called_after_their_cycle() -> None:
    assert take_names(CYCLES) == {
        0: "cycle 1", 1: "cycle 2, set aside", 2: "cycle 2", 3: "cycle 3", 4: "cycle 4",
    }  # fmt: skip


def test_the_report_says_which_cycle_and_what_follows(sample: Any, render: Callable[..., str]) -> None:
    page = render(record(sample, to_do="Look at the lamp lead."), {})
    text = re.sub(r"<[^>]+>|\u2068|\u2069", "", page)
    assert "25 % of cycles fail (95 % interval 0.63 % to 80.6 %" in text
    assert "Cycle 3 (upright):" in text and "Look at the lamp lead." in text
    assert "cycle 2, set aside" in text


def test_no_position_changes_the_page_around_it(sample: Any, render: Callable[..., str]) -> None:
    page = render(record(sample, position='"><script>alert(1)</script>', to_do="<b>now</b>"), {})
    assert "<script" not in page and "<b>now</b>" not in page


def test_junit_lists_the_cycles(sample: Any) -> None:
    root = etree.fromstring(junit_xml(record(sample)))
    (failure,) = [f for f in root.iter("failure") if f.get("type") == "fail"]
    assert failure.get("message") == f"Lamp: {REASON}"
    assert failure.text.splitlines()[:4] == [
        "cycle 1: pass",
        "cycle 2: pass",
        "cycle 3 (upright): fail",
        "cycle 4: pass",
    ]


def test_a_quarantine_comes_first_in_every_copy(sample: Any, render: Callable[..., str]) -> None:
    reason = "do not charge, load or heat this unit. Cell flat failed: no, not yes"
    outcome = Outcome(disposition=Disposition.QUARANTINED, reason=reason)
    held = sample.everything()[0].model_copy(update={"outcome": outcome})
    page = render(held, {})
    (headline,) = re.findall(r"<h1[^>]*>(.*?)</h1>", page)
    assert "Quarantined: do not charge" in headline
    assert result(held, Standing())[0] == "Stopped for safety"
    root = etree.fromstring(junit_xml(held))
    assert [f.get("type") for f in root.iter("failure")][-1] == "hold: quarantined"


def check(**more: Any) -> Check:
    limits = ({"reading": "confirm", "is": True, "source": "invented"},)
    return Check.model_validate(
        {"id": "a", "title": "A", "prompt": "confirm", "say": "?", "limits": limits, **more}
    )


def test_the_screen_says_what_to_do_and_what_is_still_on(capsys: pytest.CaptureFixture[str]) -> None:
    failed = Finding(verdict=Verdict.FAIL, reason="no, not yes")
    Lines().quarantined(check(), failed, {"supply": "it does not answer."})
    said = capsys.readouterr().err
    assert "QUARANTINED" in said and "Do not charge" in said and "Why: A failed: no, not yes." in said
    assert "NOT SAFE: supply: it does not answer. Switch it off at its own switch now." in said
    assert len(quarantine_lines(check(), failed, {})) == 5


def test_a_cycle_on_screen_names_its_position() -> None:
    made = check(cycles={"positions": ["flat", "upright"]})
    failed = Finding(verdict=Verdict.FAIL, reason="no, not yes")
    assert cycle_line(made, 2, failed) == "cycle 2 of 2 (upright): fail, no, not yes"
    assert cycle_line(made, 1, Finding(verdict=Verdict.PASS, reason="yes, yes")) == "cycle 1 of 2 (flat): pass"


def test_what_kept_a_check_from_being_taken_says_what_to_do_next() -> None:
    finding = Finding(verdict=Verdict.NOT_RUN, reason="nothing is mounted", to_do="Mount the medium.")
    assert summary(finding) == "nothing is mounted. Mount the medium."
