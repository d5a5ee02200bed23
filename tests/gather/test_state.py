"""The state of a run from the events of its journal alone: what each leaves behind for record and report."""

from __future__ import annotations

from typing import Any

import pytest

from verifier.errors import JournalError
from verifier.gather.journal import Event
from verifier.gather.state import RunState, replay, to_json
from verifier.readings import Act, Finding, Moment, Person, Reading, Stage, Verdict

SUITE = """
schema = 1
model = "marrowby-quayside"
title = "Quayside"
revision = 1
[parts.io-board]
title = "Connector board"
joints = ["link"]
[joints.link]
title = "Board link"
[[checks]]
id = "link-up"
title = "Link is up"
probe = "port"
covers = ["link"]
limits = [{ reading = "value", at_least = 1, unit = "1", source = "invented" }]
"""
BEGIN = {
    "run": "r", "suite_text": SUITE, "suite_sha256": "0" * 64, "order": {}, "at": "local", "role": "self",
    "station": "bench-1", "software": {}, "technician": None, "simulation": None,
}  # fmt: skip
T07 = Person(name="T07")


class Log:
    """Events as a journal would give them, one power-up and process unless said."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self.add("begin", BEGIN)

    def add(self, kind: str, data: dict[str, Any], *, boot_id: str = "first", pid: int = 1) -> Log:
        seq = len(self.events) + 1
        at = Moment(wall=f"2026-11-25T10:00:{seq:02}Z", boot=f"{seq}.0", boot_id=boot_id)
        self.events.append(Event(seq=seq, kind=kind, at=at, pid=pid, data=data))
        return self

    def check_began(self) -> Log:
        return self.add("check-began", {"check": "link-up", "stage": "closed"})

    def reading(self, name: str = "value") -> Log:
        reading = to_json(Reading(name=name, value=1, unit="1", exact=True))
        return self.add("reading", {"check": "link-up", "take": 0, "reading": reading})

    def passed(self) -> Log:
        return self.add("finding", {"check": "link-up", "finding": to_json(Finding(verdict=Verdict.PASS))})

    def act(self, kind: Any, subject: str) -> Log:
        act = to_json(Act(kind=kind, subject=subject, why="w", by=T07, at=self.events[0].at))
        return self.add("act", {"act": act})

    @property
    def state(self) -> RunState:
        return replay(self.events)


def test_what_went_on_without_having_been_paused_was_killed_after_its_last_entry() -> None:
    (gap,) = Log().check_began().add("resumed", {}, pid=2).state.interruptions
    assert (gap.kind, gap.at.boot, gap.resumed and gap.resumed.boot) == ("killed", "2.0", "3.0")


def test_a_pause_ends_when_the_run_goes_on_and_the_next_kill_is_one_of_its_own() -> None:
    log = Log().add("paused", {"why": "Ctrl-C"}).add("resumed", {}).check_began().add("resumed", {})
    gaps = [(gap.kind, gap.why, gap.at.boot, gap.resumed and gap.resumed.boot) for gap in log.state.interruptions]
    assert gaps == [("pause", "Ctrl-C", "2.0", "3.0"), ("killed", "", "4.0", "5.0")]


def test_every_power_up_and_process_that_worked_on_it_is_known() -> None:
    state = Log().add("resumed", {}, boot_id="first", pid=2).add("resumed", {}, boot_id="second", pid=2).state
    assert (state.boots, state.pids) == ({"first", "second"}, {1, 2})


def test_a_finding_that_was_set_aside_counts_no_more_and_keeps_its_first_reason() -> None:
    log = Log().check_began().passed()
    assert log.state.counting("link-up") is not None
    log.add("set-aside", {"check": "link-up", "why": "corrected"})
    log.add("set-aside", {"check": "link-up", "why": "reopened"})
    assert log.state.counting("link-up") is None
    assert [attempt.set_aside for attempt in log.state.attempts["link-up"]] == ["corrected"]
    assert [check.id for check in log.state.pending()] == ["link-up"]


def test_only_waived_joints_are_waived_and_only_reopening_opens_the_unit_again() -> None:
    log = Log().add("stage", {"stage": "open"}).add("stage", {"stage": "closed"})
    log.act("again", "link-up").act("waive", "link")
    assert log.state.waived == ("link",)
    assert log.state.begun == {Stage.OPEN, Stage.CLOSED}
    assert log.act("reopen", "io-board").state.begun == {Stage.OPEN}


def test_after_a_pause_for_a_check_what_it_had_before_stays_and_what_came_since_is_taken_again() -> None:
    log = Log().check_began().reading("before")
    log.add("check-paused", {"check": "link-up", "say": "Pull the plug."})
    assert (log.state.meanwhile, log.state.paused_for("link-up")) == ("Pull the plug.", True)
    log.add("check-went-on", {"check": "link-up"}).reading("after").add("check-went-on", {"check": "link-up"})
    first, second = log.state.attempts["link-up"]
    assert log.state.meanwhile == ""
    assert "interrupted after the pause" in first.set_aside
    assert [[reading.name for reading in take] for take in second.takes] == [["before"]]


def test_setting_aside_another_check_leaves_what_is_to_be_done_meanwhile() -> None:
    log = Log().check_began().add("check-paused", {"check": "link-up", "say": "Pull the plug."})
    log.add("set-aside", {"check": "other", "why": "again"})
    assert log.state.meanwhile == "Pull the plug."
    log.add("set-aside", {"check": "link-up", "why": "again"})
    assert log.state.meanwhile == ""


@pytest.mark.parametrize(
    "kind, data", [("unheard", {}), ("reading", {"check": "link-up"}), ("stage", {"stage": 3})]
)
def test_what_no_run_writes_is_refused_with_its_line(kind: str, data: dict[str, Any]) -> None:
    with pytest.raises(JournalError, match="line 3 of the journal"):
        replay(Log().check_began().add(kind, data).events)


def test_only_what_is_covered_up_is_answered_from_memory() -> None:
    """A check of the closed unit can still be looked at once the label is on; what was inside cannot."""
    made = Log().add("stage", {"stage": "open"}).state.plan.suite.check("link-up")
    inside = made.model_copy(update={"stage": Stage.OPEN})
    opened = Log().add("stage", {"stage": "arrival"}).add("stage", {"stage": "open"})
    assert not opened.state.from_memory(inside)
    finished = opened.add("stage", {"stage": "closed"}).add("stage", {"stage": "finished"})
    assert finished.state.from_memory(inside)
    assert not finished.state.from_memory(made)


def test_who_what_and_why_it_stopped_are_known_again() -> None:
    log = Log().add("facts", {"facts": {"kernel": "6.1"}}).add("technician", {"technician": to_json(T07)})
    log.add("stopped", {"why": "the disk is full"})
    assert (log.state.facts, log.state.technician) == ({"kernel": "6.1"}, T07)
    assert [(gap.kind, gap.why, gap.resumed) for gap in log.state.interruptions] == [
        ("stopped", "the disk is full", None)
    ]
