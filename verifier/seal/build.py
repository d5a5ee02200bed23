"""Makes the record of a run from its state and its outcome."""

from __future__ import annotations

from verifier.declare.suite import Check
from verifier.gather.state import RunState
from verifier.readings import Answer, Attempt, Outcome, Person, Role
from verifier.seal.personal import PersonalFields
from verifier.seal.record import (
    ClockRecord,
    Disclosed,
    HostRecord,
    JournalRecord,
    OrderRecord,
    Record,
    RecordedAct,
    RecordedAnswer,
    RecordedAttempt,
    RecordedCheck,
    RecordedName,
    RecordedPerson,
    ReplacedRecord,
    StationRecord,
    SuiteRecord,
    Times,
    UnitRecord,
)


def build_record(
    state: RunState, outcome: Outcome, *, role: Role, key: str, journal_sha256: str
) -> tuple[Record, Disclosed]:
    """The record, still without its place in the ledger, and what stands behind its personal fields.

    `key` is the RFC 7638 thumbprint of the key that will seal it, `journal_sha256` the hash of the
    journal's last line.
    """
    personals = PersonalFields()
    suite = state.plan.suite
    record = Record(
        run=state.run,
        role=role,
        unit=UnitRecord(model=suite.model, serial=state.serial, serials=tuple(state.serials)),
        order=_order(state, personals),
        suite=SuiteRecord(
            model=suite.model,
            title=suite.title,
            revision=suite.revision,
            state=suite.state,
            cautions=state.cautions,
            sha256=state.plan.suite_sha256,
            text=state.plan.suite_text,
            pictures=state.pictures,
        ),
        station=StationRecord(name=state.station, key=key),
        host=HostRecord(address=state.at, facts=state.facts, simulation=state.simulation),
        software=state.software,
        times=Times(
            began=state.began.wall,
            ended=state.last.wall,
            # Boot times of two power-ups have nothing in common, and wall clocks may have been set.
            took_s=round(float(state.last.boot) - float(state.began.boot), 3) if len(state.boots) == 1 else None,
            clock=ClockRecord(synchronised=state.clock_synchronised, simulated=state.simulation is not None),
        ),
        decision=suite.decision,
        technician=_person(state.technician, personals) if state.technician else None,
        checks=tuple(_check(check, state.attempts.get(check.id, []), personals) for check in suite.checks),
        acts=tuple(
            RecordedAct(
                kind=act.kind,
                subject=act.subject,
                why=act.why,
                by=_person(act.by, personals),
                at=act.at,
                value=act.value,
            )
            for act in state.acts
        ),
        interruptions=tuple(state.interruptions),
        outcome=outcome,
        journal=JournalRecord(lines=state.lines, sha256=journal_sha256),
    )
    return record, personals.disclosed


def _person(person: Person, personals: PersonalFields) -> RecordedPerson:
    return RecordedPerson(name=personals.add(person.name), known=person.known)


def _order(state: RunState, personals: PersonalFields) -> OrderRecord:
    order, suite = state.plan.order, state.plan.suite
    return OrderRecord(
        ticket=order.ticket,
        complaint=order.complaint,
        document=order.document,
        technician=personals.add(order.technician) if order.technician else None,
        replaced=tuple(
            ReplacedRecord(
                part=part.part,
                title=suite.parts[part.part].title if part.part in suite.parts else part.part,
                old_number=part.old_number,
                number=part.number,
                serial=part.serial,
                lot=part.lot,
                expiry=part.expiry.isoformat() if part.expiry else None,
            )
            for part in order.replaced
        ),
        consumables=tuple(
            {k: v for k, v in item.model_dump(mode="json").items() if v is not None} for item in order.consumables
        ),
        fasteners={kind: counts.model_dump() for kind, counts in order.fasteners.items()},
    )


def _check(check: Check, attempts: list[Attempt], personals: PersonalFields) -> RecordedCheck:
    return RecordedCheck(
        id=check.id,
        title=check.title,
        stage=check.stage,
        required=check.required,
        probe=check.probe,
        prompt=check.prompt.value if check.prompt else None,
        settings=check.settings,
        covers=check.covers,
        attempts=tuple(
            RecordedAttempt(
                began=attempt.began,
                ended=attempt.ended,
                takes=tuple(tuple(r for r in take if not r.personal) for take in attempt.takes),
                names=tuple(
                    RecordedName(
                        take=number,
                        reading=reading.name,
                        value=personals.add(str(reading.value)),
                        origin=reading.origin,
                    )
                    for number, take in enumerate(attempt.takes, 1)
                    for reading in take
                    if reading.personal
                ),
                answers=tuple(_answer(answer, attempt, personals) for answer in attempt.answers),
                finding=attempt.finding,
                set_aside=attempt.set_aside or ("" if attempt.finding else "interrupted before it was finished"),
                host=attempt.host,
                cycles=attempt.cycles,
            )
            for attempt in attempts
        ),
    )


def _answer(answer: Answer, attempt: Attempt, personals: PersonalFields) -> RecordedAnswer:
    return RecordedAnswer(
        kind=answer.kind,
        shown=answer.shown,
        value=answer.value,
        unit=answer.unit,
        by=_person(answer.by, personals),
        at=answer.at or attempt.began,
        from_memory=answer.from_memory,
    )
