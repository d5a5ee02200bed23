"""The state of a run, made only from its journal: replaying the events gives it back exactly.

The engine asks the state what is pending and appends events; it keeps nothing of its own.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from verifier.declare.coverage import disturbed_joints
from verifier.declare.order import RepairOrder
from verifier.declare.plan import Plan
from verifier.declare.shape import adapter_of
from verifier.declare.suite import Check, Suite
from verifier.errors import JournalError
from verifier.gather.journal import Event
from verifier.readings import (
    Act,
    Answer,
    Attempt,
    Cycle,
    Finding,
    Interruption,
    Moment,
    Person,
    Reading,
    Role,
    SerialNumber,
    Simulation,
    Stage,
    Verdict,
)

T = TypeVar("T")


def to_json(value: Any) -> Any:
    """JSON data of a shared word, leaving out what has its default."""
    return adapter_of(type(value)).dump_python(value, mode="json", exclude_defaults=True)


def from_json(kind: type[T], data: Any) -> T:
    return adapter_of(kind).validate_python(data)


@dataclass(slots=True)
class RunState:
    """Everything known of one run."""

    run: str
    plan: Plan
    at: str
    role: Role
    station: str
    software: dict[str, str]
    technician: Person | None
    typed_serial: str | None
    """What was given as --serial."""
    began: Moment
    last: Moment
    lines: int = 1
    cautions: tuple[str, ...] = ()
    """What can hurt or be harmed: the suite's cautions, and those of its probes."""
    picture_folder: str = ""
    """Where the suite's pictures were when the run began; empty where it has none."""
    pictures: dict[str, str] = field(default_factory=dict)
    """SHA-256 of each picture that a prompt shows, by file name."""
    serial: str | None = None
    """The serial number that the sources agree on; None while none says one."""
    facts: dict[str, str] = field(default_factory=dict)
    serials: list[SerialNumber] = field(default_factory=list)
    attempts: dict[str, list[Attempt]] = field(default_factory=dict)
    acts: list[Act] = field(default_factory=list)
    interruptions: list[Interruption] = field(default_factory=list)
    begun: set[Stage] = field(default_factory=set)
    """Stages that were begun since the unit was last open at them."""
    simulation: Simulation | None = None
    """What is simulated, where there is no real unit."""
    boots: set[str] = field(default_factory=set)
    clock_synchronised: bool | None = None
    pids: set[int] = field(default_factory=set)
    meanwhile: str = ""
    """What is to be done while the run pauses for a check; empty when it does not."""
    sealed: str = ""
    """Digest of the sealed record, once there is one."""

    def counting(self, check_id: str) -> Attempt | None:
        """The attempt at a check that counts: the last one that is not set aside and has a finding."""
        for attempt in reversed(self.attempts.get(check_id, [])):
            if not attempt.set_aside and attempt.finding is not None:
                return attempt
        return None

    def counting_attempts(self) -> dict[str, Attempt]:
        return {c.id: a for c in self.plan.suite.checks if (a := self.counting(c.id)) is not None}

    def open_attempt(self, check_id: str) -> Attempt | None:
        """An attempt that has begun and has no finding yet."""
        attempts = self.attempts.get(check_id, [])
        last = attempts[-1] if attempts else None
        return last if last and last.finding is None and not last.set_aside else None

    def paused_for(self, check_id: str) -> bool:
        """Whether the run paused for a check that has still to go on."""
        attempt = self.open_attempt(check_id)
        return attempt is not None and attempt.paused

    def pending(self, stages: Iterable[Stage] = tuple(Stage)) -> list[Check]:
        wanted = set(stages)
        return [c for c in self.plan.suite.checks if c.stage in wanted and self.counting(c.id) is None]

    @property
    def quarantined(self) -> Attempt | None:
        """The attempt that quarantined the unit, whatever became of it since: no act lifts a quarantine."""
        for check in self.plan.suite.checks:
            if check.quarantines:
                for attempt in self.attempts.get(check.id, []):
                    if attempt.finding is not None and attempt.finding.verdict is Verdict.FAIL:
                        return attempt
        return None

    @property
    def waived(self) -> tuple[str, ...]:
        return tuple(act.subject for act in self.acts if act.kind == "waive")

    def from_memory(self, check: Check) -> bool:
        """Whether an answer to this check, given now, comes after what it asks about was covered up."""
        if check.stage not in (Stage.ARRIVAL, Stage.OPEN):
            return False
        return any(stage.order > check.stage.order for stage in self.begun)

    # ---- replay -------------------------------------------------------------------------------

    def apply(self, event: Event) -> None:
        """Take in one event. Unknown kinds are an error of ours, not of the user's."""
        self.pids.add(event.pid)
        self.boots.add(event.at.boot_id)
        _APPLY[event.kind](self, event)
        self.last, self.lines = event.at, event.seq
        self.clock_synchronised = event.synchronised

    def change_last(self, check_id: str, **changes: Any) -> None:
        attempts = self.attempts[check_id]
        attempts[-1] = replace(attempts[-1], **changes)

    def put_aside(self, check_id: str, why: str) -> None:
        attempts = self.attempts.get(check_id, [])
        if attempts and not attempts[-1].set_aside:
            attempts[-1] = replace(attempts[-1], set_aside=why)


def begin(event: Event, plan: Plan | None = None) -> RunState:
    """The state after the first line of a journal, which carries all that the run is about.

    `plan` is what stands there, for whoever makes a thousand runs by one plan and keeps none of their journals.
    """
    data = event.data
    plan = plan or _plan(data)
    return RunState(
        run=from_json(str, data["run"]),
        plan=plan,
        at=from_json(str, data["at"]),
        role=from_json(Role, data["role"]),  # type: ignore[arg-type]
        station=from_json(str, data["station"]),
        software=from_json(dict[str, str], data["software"]),
        cautions=from_json(tuple[str, ...], data.get("cautions", plan.suite.cautions)),
        picture_folder=data.get("picture_folder", ""),
        pictures=dict(data.get("pictures", {})),
        technician=from_json(Person, data["technician"]) if data.get("technician") else None,
        typed_serial=from_json(str, typed) if (typed := data.get("typed_serial")) is not None else None,
        began=event.at,
        last=event.at,
        simulation=from_json(Simulation, data["simulation"]) if data.get("simulation") else None,
        boots={event.at.boot_id},
        pids={event.pid},
    )


def _plan(data: Mapping[str, Any]) -> Plan:
    suite = Suite.model_validate(tomllib.loads(data["suite_text"]))
    order = RepairOrder.model_validate(data["order"])
    return Plan(
        suite=suite,
        suite_text=data["suite_text"],
        suite_sha256=data["suite_sha256"],
        order=order,
        disturbed=disturbed_joints(suite, (r.part for r in order.replaced)),
    )


def replay(events: Iterable[Event]) -> RunState:
    """The state after all these events; the first must be the beginning of a run.

    JournalError where an event says what no run says: its hash needs no key, so anybody can have written it.
    """
    iterator: Iterator[Event] = iter(events)
    event = next(iterator)
    try:
        state = begin(event)
        for event in iterator:
            state.apply(event)
    except (LookupError, TypeError, ValueError, AttributeError, RecursionError) as error:
        raise JournalError(
            f"line {event.seq} of the journal says what this version never writes ({event.kind[:40]!r})",
            to_do="Do not use this run. Keep the journal as it is and start the run anew.",
        ) from error
    return state


def _facts(state: RunState, event: Event) -> None:
    state.facts.update(from_json(dict[str, str], event.data["facts"]))


def _technician(state: RunState, event: Event) -> None:
    state.technician = from_json(Person, event.data["technician"])


def _serial(state: RunState, event: Event) -> None:
    number = from_json(SerialNumber, event.data["serial"])
    state.serials.append(replace(number, at=event.at))


def _unit(state: RunState, event: Event) -> None:
    state.serial = from_json(str, event.data["serial"])


def _stage(state: RunState, event: Event) -> None:
    state.begun.add(Stage(event.data["stage"]))


def _check_began(state: RunState, event: Event) -> None:
    check = event.data["check"]
    state.attempts.setdefault(check, []).append(
        Attempt(check=check, stage=Stage(event.data["stage"]), began=event.at, host=event.data.get("host", ""))
    )


def _check_paused(state: RunState, event: Event) -> None:
    check = event.data["check"]
    attempt = state.attempts[check][-1]
    state.change_last(check, paused=True, before_pause=sum(map(len, attempt.takes)))
    state.meanwhile = from_json(str, event.data["say"])


def _check_went_on(state: RunState, event: Event) -> None:
    check = event.data["check"]
    attempt = state.attempts[check][-1]
    state.meanwhile = ""
    if sum(map(len, attempt.takes)) > attempt.before_pause:
        # Ended while it went on: that is taken again, and what it had before the pause stays good.
        state.put_aside(check, "interrupted after the pause, before it was finished")
        carried = tuple(take[: attempt.before_pause] for take in attempt.takes[:1])
        state.attempts[check].append(replace(attempt, began=event.at, takes=carried, answers=()))


def _reading(state: RunState, event: Event) -> None:
    reading = from_json(Reading, event.data["reading"])
    attempt = state.attempts[event.data["check"]][-1]
    takes = list(attempt.takes)
    number: int = event.data["take"]
    while len(takes) <= number:
        takes.append(())
    takes[number] = (*takes[number], reading)
    state.change_last(attempt.check, takes=tuple(takes))


def _answer(state: RunState, event: Event) -> None:
    answer = replace(from_json(Answer, event.data["answer"]), at=event.at)
    attempt = state.attempts[event.data["check"]][-1]
    state.change_last(attempt.check, answers=(*attempt.answers, answer))


def _cycle_began(state: RunState, event: Event) -> None:
    attempt = state.attempts[event.data["check"]][-1]
    cycles = attempt.cycles
    if cycles and cycles[-1].finding is None:
        left = replace(
            cycles[-1],
            takes=len(attempt.takes) - cycles[-1].first_take,
            set_aside="interrupted before it was finished",
        )
        cycles = (*cycles[:-1], left)
    begun = Cycle(
        number=from_json(int, event.data["number"]),
        position=from_json(str, event.data.get("position", "")),
        began=event.at,
        first_take=len(attempt.takes),
    )
    state.change_last(attempt.check, cycles=(*cycles, begun))


def _cycle_ended(state: RunState, event: Event) -> None:
    attempt = state.attempts[event.data["check"]][-1]
    ended = replace(
        attempt.cycles[-1],
        ended=event.at,
        takes=len(attempt.takes) - attempt.cycles[-1].first_take,
        finding=from_json(Finding, event.data["finding"]),
        set_aside=from_json(str, event.data.get("set_aside", "")),
    )
    state.change_last(attempt.check, cycles=(*attempt.cycles[:-1], ended))


def _finding(state: RunState, event: Event) -> None:
    finding = from_json(Finding, event.data["finding"])
    state.change_last(event.data["check"], finding=finding, ended=event.at)


def _set_aside(state: RunState, event: Event) -> None:
    if state.paused_for(event.data["check"]):
        state.meanwhile = ""
    state.put_aside(event.data["check"], event.data["why"])


def _act(state: RunState, event: Event) -> None:
    act = replace(from_json(Act, {**event.data["act"], "at": to_json(event.at)}), at=event.at)
    state.acts.append(act)
    if act.kind == "reopen":
        # The unit is open again: what was closed or finished has to be begun anew.
        state.begun -= {Stage.CLOSED, Stage.FINISHED}


def _paused(state: RunState, event: Event) -> None:
    state.interruptions.append(Interruption(kind="pause", at=event.at, why=event.data.get("why", "")))


def _stopped(state: RunState, event: Event) -> None:
    state.interruptions.append(Interruption(kind="stopped", at=event.at, why=event.data["why"]))


def _resumed(state: RunState, event: Event) -> None:
    open_one = state.interruptions[-1] if state.interruptions else None
    if open_one is None or open_one.resumed is not None:
        # Nothing says that the run was paused, so the process was killed after its last entry.
        open_one = Interruption(kind="killed", at=state.last)
        state.interruptions.append(open_one)
    state.interruptions[-1] = replace(open_one, resumed=event.at)


def _torn(state: RunState, event: Event) -> None:
    state.interruptions.append(
        Interruption(
            kind="killed",
            at=state.last,
            why=f"the journal's last line was torn ({event.data['bytes']} bytes) and cut off",
        )
    )


def _sealed(state: RunState, event: Event) -> None:
    state.sealed = from_json(str, event.data["sha256"])


def _nothing(state: RunState, event: Event) -> None:
    """Events that are in the journal for the reader only."""


_APPLY: Mapping[str, Any] = {
    "facts": _facts,
    "technician": _technician,
    "serial": _serial,
    "unit": _unit,
    "stage": _stage,
    "check-began": _check_began,
    "check-paused": _check_paused,
    "check-went-on": _check_went_on,
    "reading": _reading,
    "answer": _answer,
    "cycle-began": _cycle_began,
    "cycle-ended": _cycle_ended,
    "finding": _finding,
    "set-aside": _set_aside,
    "act": _act,
    "paused": _paused,
    "stopped": _stopped,
    "resumed": _resumed,
    "torn-line-cut": _torn,
    "sealed": _sealed,
    "review": _nothing,
    "safe": _nothing,
    "hands-clear": _nothing,
    "cue": _nothing,
    "look": _nothing,
}
