"""Records to show: a unit of the invented depot that has everything a report can have, and what goes beside it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest

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
    Shape,
    Stage,
    Verdict,
)
from verifier.seal.record import (
    ClockRecord,
    Disclosed,
    Disclosure,
    HostRecord,
    JournalRecord,
    LedgerRecord,
    OrderRecord,
    Personal,
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

K = 1.959964
FINGERPRINT = "Xk4vR0mT9pQe2LsYb7uW3nHc8dFaJz1oGi5KqMtT2pQ"
DIGEST = hashlib.sha256(b"a record").hexdigest()
BOOT = "5b1c2d3e-0000-4000-8000-000000000001"


def moment(clock: str, seconds: float = 0.0, boot_id: str = BOOT) -> Moment:
    return Moment(wall=f"2026-11-25T{clock}.000Z", boot=f"{seconds:.6f}", boot_id=boot_id)


@dataclass
class People:
    """Personal fields and what stands behind them."""

    disclosed: Disclosed

    def field(self, value: str) -> Personal:
        salt = hashlib.sha256(value.encode()).hexdigest()[:32]
        digest = hashlib.sha256((salt + value).encode()).hexdigest()
        self.disclosed[digest] = Disclosure(salt=salt, value=value)
        return Personal(sha256=digest)

    def person(self, name: str, known: str = "typed") -> RecordedPerson:
        return RecordedPerson(name=self.field(name), known=known)


def held(
    reading: str,
    value: Any,
    u: float | None,
    unit: str,
    *,
    low: float | None = None,
    high: float | None = None,
    verdict: Verdict = Verdict.PASS,
    limit: str = "",
    source: str = "study 2026-08, 30 good units",
    **more: Any,
) -> Held:
    """A guarded reading as a judge would hold it, one-sided bands on both sides."""
    ends = [f"{x:g}" for x in (low, high) if x is not None]
    words = (
        f"{ends[0]} to {ends[1]}"
        if len(ends) == 2
        else f"{'at least' if high is None else 'at most'} {ends[0]}"
        if ends
        else limit
    )
    made = Held(
        reading=reading,
        verdict=verdict,
        limit=limit or f"{words} {unit}".strip(),
        source=source,
        rule="guarded",
        value=value,
        unit=unit,
        lower=low,
        upper=high,
    )
    if u is None:
        return replace(made, rule="exact", **more)
    bounds = [
        abs(value - x) * (1 if (low is None or value >= low) and (high is None or value <= high) else -1)
        for x in (low, high)
        if x is not None
    ]
    fields: dict[str, Any] = {
        "u": u,
        "distribution": "normal",
        "interval": (value - K * u, value + K * u),
        "conformance": 0.9834,
        "margin": min(bounds) if bounds else None,
        "guard_band": K * u,
        "accept_from": None if low is None else low + K * u,
        "accept_to": None if high is None else high - K * u,
        "budget": (
            Contribution(basis=Basis.SPECIFICATION, u=u * 0.9, note="meter M-3, 1 year after adjustment"),
            Contribution(basis=Basis.REPEATS, u=u * 0.3, dof=9.0, note="10 readings"),
            Contribution(basis=Basis.RESOLUTION, u=u * 0.316, shape=Shape.RECTANGULAR, note="step of 1"),
        ),
    }
    return replace(made, **(fields | more))


class Sample:
    """Builds records. Every method is a pure function of its arguments."""

    fingerprint = FINGERPRINT
    digest = DIGEST
    held = staticmethod(held)
    moment = staticmethod(moment)

    def check(
        self,
        id_: str,
        title: str,
        finding: Finding | None,
        *,
        stage: Stage = Stage.CLOSED,
        required: bool = True,
        covers: tuple[str, ...] = (),
        prompt: str | None = None,
        answers: tuple[RecordedAnswer, ...] = (),
        earlier: tuple[RecordedAttempt, ...] = (),
        takes: tuple[tuple[Reading, ...], ...] | None = None,
    ) -> RecordedCheck:
        if takes is None:
            takes = (
                tuple(
                    Reading(
                        name=h.reading,
                        value=h.value,
                        unit=h.unit,
                        origin=f"/sys/class/example/{id_}/{h.reading}",
                        exact=h.rule == "exact",
                        contributions=h.budget,
                    )
                    for h in (finding.held if finding else ())
                    if h.value is not None
                ),
            )
        attempt = RecordedAttempt(
            began=moment("10:15:12", 100.0),
            ended=moment("10:15:16", 104.2),
            takes=takes,
            answers=answers,
            finding=finding,
        )
        return RecordedCheck(
            id=id_,
            title=title,
            stage=stage,
            required=required,
            probe=None if prompt else "example",
            prompt=prompt,
            covers=covers,
            attempts=(*earlier, attempt),
        )

    def answer(self, people: People, kind: str, shown: str, value: Any, **more: Any) -> RecordedAnswer:
        return RecordedAnswer(
            kind=kind, shown=shown, value=value, by=people.person("T07"), at=moment("10:22:31"), **more
        )

    def everything(self, **changes: Any) -> tuple[Record, Disclosed]:
        """A terminal back from repair, with every verdict, corrections, interruptions and a waiver."""
        people = People({})
        record = Record(
            run="20261125T101512Z-k3v9qd",
            role="station",
            unit=UnitRecord(
                model="marrowby-quayside",
                serial="QS-2004174",
                serials=(
                    SerialNumber(source="label", value="QS-2004174", at=moment("10:15:20")),
                    SerialNumber(source="firmware", value="QS-2004174", at=moment("10:16:02")),
                    SerialNumber(source="order", value=None, note="the order names no serial number"),
                ),
            ),
            order=OrderRecord(
                ticket="BF-26-01847",
                complaint="Port 2 drops out when the printer starts; runs hot.",
                document="Quayside service guide, revision 7",
                technician=people.field("T07"),
                replaced=(
                    ReplacedRecord(
                        part="radio-module",
                        title="Radio module",
                        old_number="RM-220-A",
                        number="RM-220-B",
                        serial="RM00418233",
                        lot="2231",
                    ),
                    ReplacedRecord(
                        part="main-board", title="Main board", number="MB-11", lot="2240", expiry="2028-06-30"
                    ),
                ),
                consumables=(
                    {"name": "Thread lock, medium", "lot": "TL-88", "opened": "2026-10-02", "expiry": None},
                ),
                fasteners={"m3-board": {"removed": 7, "issued": 2, "fitted": 7, "discarded": 2, "left": 0}},
            ),
            suite=SuiteRecord(
                model="marrowby-quayside",
                title="Quayside counter terminal, close of repair",
                revision=4,
                state="trial",
                cautions=("The heat block reaches 80 °C under load",),
                sha256="ab" * 32,
                text="schema = 1\n",
            ),
            station=StationRecord(name="bench-2", key=FINGERPRINT),
            host=HostRecord(address="local", facts={"system": "Linux 6.1", "machine": "x86_64"}),
            software={"verifier": "0.1.0", "python": "3.11.2"},
            times=Times(
                began="2026-11-25T10:15:12.104Z",
                ended="2026-11-25T10:58:03.871Z",
                took_s=2571.8,
                clock=ClockRecord(synchronised=True),
            ),
            decision=Decision(),
            technician=people.person("T07", "option"),
            checks=tuple(self.checks(people)),
            acts=(
                RecordedAct(
                    kind="correct",
                    subject="spacers-fitted",
                    why="miscounted, one was behind the cable",
                    value=2,
                    by=people.person("T07"),
                    at=moment("10:31:40"),
                ),
                RecordedAct(
                    kind="waive",
                    subject="lamp-guide",
                    why="no light meter here until Friday; looked at by eye in the dark",
                    by=people.person("Q01"),
                    at=moment("10:52:01"),
                ),
            ),
            interruptions=(
                Interruption(
                    kind="pause",
                    at=moment("10:33:00", 1100),
                    resumed=moment("10:41:30", 1610),
                    why="waiting for a loop-back plug",
                ),
                Interruption(
                    kind="killed", at=moment("10:44:10", 1700), resumed=moment("10:47:00", 41, "another")
                ),
            ),
            outcome=Outcome(
                disposition=Disposition.REWORK,
                reason="port 2 lost SuperSpeed, and the thermal result is not settled",
                risk_bound=0.225,
                joints=(
                    JointCoverage(
                        joint="radio-socket",
                        title="Radio socket",
                        disturbed=True,
                        coverage="measured",
                        checks=("radio-present",),
                    ),
                    JointCoverage(
                        joint="antenna-left",
                        title="Left antenna lead",
                        disturbed=True,
                        coverage="measured",
                        checks=("wifi-signal",),
                    ),
                    JointCoverage(
                        joint="antenna-right",
                        title="Right antenna lead",
                        disturbed=True,
                        coverage="measured",
                        checks=("wifi-signal",),
                    ),
                    JointCoverage(
                        joint="edge-spacers",
                        title="Edge spacers",
                        disturbed=True,
                        coverage="by-eye",
                        checks=("spacers-seated",),
                    ),
                    JointCoverage(joint="lamp-guide", title="Lamp guide", disturbed=True, coverage="waived"),
                    JointCoverage(joint="cell-lead", title="Cell lead", disturbed=True, coverage="not-covered"),
                    JointCoverage(
                        joint="board-link", title="Link between boards", disturbed=True, coverage="not-covered"
                    ),
                    JointCoverage(joint="usb-2", title="USB port 2", disturbed=False, coverage="not-covered"),
                ),
            ),
            journal=JournalRecord(lines=412, sha256="cd" * 32),
            ledger=LedgerRecord(index=1846, head=None),
        )
        return record.model_copy(update=changes), people.disclosed

    def checks(self, people: People) -> list[RecordedCheck]:
        fail, inconclusive = Verdict.FAIL, Verdict.INCONCLUSIVE
        speed = held("speed", 480, None, "Mbit/s", low=5000, verdict=fail, source="maker, port table")
        rise = held(
            "rise",
            44.1,
            0.95,
            "K",
            high=45,
            verdict=inconclusive,
            source="maker, thermal guide",
            conformance=0.828,
            reason="needs u below 0.46 K: six more minutes, or a power meter",
            distribution="t",
            dof=8.4,
        )
        chains = (
            held("chain_0", -49.5, 1.02, "dBm", low=-62),
            held("chain_1", -50.2, 1.02, "dBm", low=-62),
            held("difference", 0.7, 1.43, "dB", high=8, source="judgement, A02"),
        )
        first = RecordedAttempt(
            began=moment("10:20:00"),
            ended=moment("10:20:09"),
            takes=((Reading(name="count", value=1, exact=True),),),
            answers=(self.answer(people, "count", "How many edge spacers can you see along the main board?", 1),),
            finding=Finding(verdict=fail, reason="1 is not 2"),
            set_aside="corrected: miscounted, one was behind the cable",
        )
        return [
            self.check(
                "radio-present",
                "Radio module answers",
                Finding(
                    verdict=Verdict.PASS,
                    held=(
                        held(
                            "product", "Marrowby RM-220-B", None, "", limit="matches RM-220-[A-Z]", source="maker"
                        ),
                    ),
                ),
                covers=("radio-socket",),
            ),
            self.check(
                "wifi-signal",
                "Signal on each antenna chain",
                Finding(verdict=Verdict.PASS, held=chains),
                covers=("antenna-left", "antenna-right"),
            ),
            self.check(
                "usb-2-speed",
                "Port 2 gives SuperSpeed",
                Finding(verdict=fail, reason="fell back to USB 2: one SuperSpeed pair is open", held=(speed,)),
                covers=("usb-2", "board-link"),
            ),
            self.check(
                "thermal-rise",
                "Settled rise at 10 W",
                Finding(verdict=inconclusive, reason=rise.reason, held=(rise,)),
                covers=("heat-sheet",),
            ),
            self.check(
                "vbus-4-load",
                "Port 4 at 3 A",
                Finding(
                    verdict=Verdict.PASS,
                    held=(held("volts", 4.93, 0.0102, "V", low=4.75, high=5.5, readings_pooled=5),),
                ),
            ),
            self.check(
                "clock-rate",
                "Clock after 25 min without power",
                Finding(verdict=Verdict.PASS, held=(held("rate", 6.0, 3.5, "[ppm]", low=-20, high=20),)),
            ),
            self.check(
                "shell-temp",
                "Shell temperature at idle",
                Finding(
                    verdict=Verdict.PASS,
                    held=(
                        held(
                            "zone_0",
                            41.0,
                            0.29,
                            "Cel",
                            high=60,
                            rule="simple",
                            repeatability_evaluated=False,
                            guard_band=None,
                            accept_to=None,
                            conformance=None,
                        ),
                    ),
                ),
            ),
            self.check(
                "spacers-fitted",
                "Edge spacers in place",
                Finding(
                    verdict=Verdict.PASS, held=(held("count", 2, None, "1", limit="equals 2", source="invented"),)
                ),
                stage=Stage.OPEN,
                prompt="count",
                earlier=(first,),
                answers=(
                    self.answer(people, "count", "How many edge spacers can you see along the main board?", 2),
                ),
            ),
            self.check(
                "spacers-seated",
                "Edge spacers pressed home",
                Finding(
                    verdict=Verdict.PASS, held=(held("confirm", True, None, "", limit="yes", source="maker"),)
                ),
                stage=Stage.OPEN,
                prompt="confirm",
                covers=("edge-spacers",),
                answers=(
                    self.answer(people, "confirm", "Are both spacers pressed home?", True, from_memory=True),
                ),
            ),
            self.check(
                "audio-loop",
                "Headset loop-back",
                Finding(verdict=Verdict.NOT_RUN, reason="no loop-back plug at this bench"),
                required=False,
            ),
            self.check(
                "clock-fast",
                "Clock against the reference",
                Finding(
                    verdict=Verdict.BENCH_ERROR,
                    reason="the reference gave no answer within 40 s; the worker was ended",
                ),
            ),
            self.check(
                "second-radio",
                "Second radio module",
                Finding(
                    verdict=Verdict.NOT_RUN,
                    reason="absent, and not every unit has one",
                    absent=True,
                    not_fitted=True,
                ),
            ),
            self.check(
                "idle-trace",
                "Temperature while idle",
                Finding(verdict=None),
                takes=(
                    (
                        Reading(
                            name="zone_0",
                            value=41.0,
                            unit="Cel",
                            origin="/sys/class/thermal/thermal_zone0/temp",
                            contributions=(Contribution.resolution(1.0),),
                            series=Series(t0=0, dt=0.5, values=(41.0,) * 600),
                        ),
                        Reading(name="firmware", value="3.4.1", origin="/sys/class/dmi/id/bios_version"),
                    ),
                ),
            ),
        ]

    def many(self, number: int) -> tuple[Record, Disclosed]:
        """A record with so many checks, made by going round the varied ones."""
        record, disclosed = self.everything()
        checks = [
            check.model_copy(update={"id": f"{check.id}-{n}"})
            for n, check in ((n, record.checks[n % len(record.checks)]) for n in range(number))
        ]
        return record.model_copy(update={"checks": tuple(checks)}), disclosed


@pytest.fixture(scope="session")
def sample() -> Sample:
    return Sample()


@pytest.fixture(scope="session")
def render(sample: Sample) -> Callable[..., str]:
    """The front of a record as text, as `render_front` gives it."""
    from verifier.show.report import render_front

    def made(record: Record, disclosed: Disclosed, sealed: bytes = b'{"a sealed":"record"}\n') -> str:
        return render_front(
            record, disclosed, sealed, fingerprint=sample.fingerprint, digest=sample.digest
        ).decode()

    return made
