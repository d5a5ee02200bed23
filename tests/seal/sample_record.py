"""A record with something in every place, built by hand. Invented depot, invented unit."""

from hashlib import sha256

from verifier.declare.suite import Decision
from verifier.readings import (
    Basis,
    Contribution,
    Disposition,
    Finding,
    Held,
    Interruption,
    JointCoverage,
    Moment,
    Outcome,
    Reading,
    SerialNumber,
    Series,
    Stage,
    Verdict,
)
from verifier.seal.personal import PersonalFields
from verifier.seal.record import (
    ClockRecord,
    HostRecord,
    JournalRecord,
    OrderRecord,
    Record,
    RecordedAct,
    RecordedAnswer,
    RecordedAttempt,
    RecordedCheck,
    RecordedPerson,
    ReplacedRecord,
    StationRecord,
    SuiteRecord,
    Times,
    UnitRecord,
)

SUITE_TEXT = 'schema = 1\nmodel = "marrowby-quayside"\ntitle = "Close of repair"\nrevision = 4\n'


def moment(seconds=0):
    return Moment(wall=f"2026-11-25T10:15:{seconds:02}.000Z", boot=f"{3661 + seconds}.250000", boot_id="4c1f")


def sample_record(key, *, run="20261125T101512Z-k3v9qd", role=None, station="bench-1", checks=1):
    """A record that `key` may seal, and what stands behind its personal fields."""
    personals = PersonalFields()
    technician = RecordedPerson(name=personals.add("T04 – Ørsted"), known="option")
    second = RecordedPerson(name=personals.add("T11"), known="typed")
    held = Held(
        reading="rise",
        verdict=Verdict.PASS,
        limit="at most 45 K",
        source="study 2026-08, 30 good units",
        rule="guarded",
        value=39.5,
        unit="K",
        upper=45.0,
        u=0.2886751345948129,
        dof=None,
        distribution="rectangular",
        interval=(39.0, 40.0),
        conformance=1.0,
        margin=5.5,
        guard_band=0.475,
        accept_to=44.525,
        budget=(Contribution.resolution(1.0),),
        readings_pooled=2,
    )
    taken = RecordedCheck(
        id="heat-path",
        title="Heat path settles",
        stage=Stage.CLOSED,
        required=True,
        probe="thermal.rise",
        settings={"zone": "main", "seconds": 40},
        covers=("heat-sheet",),
        attempts=(
            RecordedAttempt(began=moment(1), ended=None, takes=(), finding=None, set_aside="interrupted"),
            RecordedAttempt(
                began=moment(2),
                ended=moment(9),
                takes=(
                    (
                        Reading(
                            name="rise",
                            value=39.5,
                            unit="K",
                            origin="/sys/class/thermal/thermal_zone0/temp",
                            contributions=(Contribution(basis=Basis.STUDY, u=0.1, dof=29.0, note="2026-08"),),
                            series=Series(t0=0.0, dt=10.0, values=(0.0, 21.25, 39.5)),
                        ),
                        Reading(name="ports", value=4, unit="1", exact=True),
                        Reading(name="product", value='</script>\u202e"\\ {"sha256":"' + "0" * 64 + '"}'),
                        Reading(name="present", value=True),
                    ),
                ),
                finding=Finding(verdict=Verdict.PASS, held=(held,)),
                host="recorded:quayside",
            ),
        ),
    )
    asked = RecordedCheck(
        id="spacers-fitted",
        title="Edge spacers in place",
        stage=Stage.OPEN,
        required=True,
        prompt="count",
        attempts=(
            RecordedAttempt(
                began=moment(3),
                ended=moment(4),
                takes=((Reading(name="count", value=2, unit="1", origin="answer", exact=True),),),
                answers=(RecordedAnswer(kind="count", shown="How many?", value=2, by=technician, at=moment(4)),),
                finding=Finding(verdict=Verdict.FAIL, reason="one is missing"),
            ),
        ),
    )
    more = tuple(taken.model_copy(update={"id": f"heat-path-{n}"}) for n in range(checks - 1))
    record = Record(
        run=run,
        role=role or key.role,
        unit=UnitRecord(
            model="marrowby-quayside",
            serial="QS-2004174",
            serials=(SerialNumber(source="label", value="QS-2004174", at=moment()),),
        ),
        order=OrderRecord(
            ticket="BF-26-01847",
            technician=personals.add("T04 – Ørsted"),
            replaced=(ReplacedRecord(part="heat-sheet", title="Phase-change sheet", lot="2231"),),
            fasteners={"M3": {"removed": 4, "fitted": 4}},
        ),
        suite=SuiteRecord(
            model="marrowby-quayside",
            title="Close of repair",
            revision=4,
            state="approved",
            sha256=sha256(SUITE_TEXT.encode()).hexdigest(),
            text=SUITE_TEXT,
        ),
        station=StationRecord(name=station, key=key.thumbprint),
        host=HostRecord(address="recorded:quayside", facts={"kernel": "6.1"}),
        software={"verifier": "0.1.0"},
        times=Times(
            began="2026-11-25T10:15:00Z",
            ended="2026-11-25T10:15:12.5Z",
            took_s=12.5,
            clock=ClockRecord(synchronised=True),
        ),
        decision=Decision(),
        technician=technician,
        checks=(taken, asked, *more),
        acts=(
            RecordedAct(
                kind="correct", subject="spacers-fitted", why="miscounted", by=second, at=moment(6), value=1
            ),
        ),
        interruptions=(Interruption(kind="pause", at=moment(5), resumed=moment(6), why="lunch"),),
        outcome=Outcome(
            disposition=Disposition.REWORK,
            reason="an edge spacer is missing",
            joints=(JointCoverage(joint="heat-sheet", title="Heat sheet", disturbed=True, coverage="measured"),),
        ),
        journal=JournalRecord(lines=42, sha256="ab" * 32),
    )
    return record, personals.disclosed


def small_front(sealed):
    """The least page that can be sealed."""
    from verifier.seal.page import embed

    return (
        f"<!doctype html>\n<html>\n<body>\n<h1>rework: an edge spacer is missing</h1>\n{embed(sealed)}\n".encode()
    )
