"""The record: everything one run saw and decided, as one JSON document. The truth.

Personal fields stand in it as salted digests; salts and values are kept beside it (`Disclosed`),
and a copy may drop them without breaking the seal (the idea of RFC 9901). The models here are also
the published JSON Schema. `build` makes a record from the state of a run.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from verifier.declare.suite import Decision
from verifier.readings import (
    Cycle,
    Finding,
    InjectedFault,
    Interruption,
    Moment,
    Outcome,
    Reading,
    Role,
    SerialNumber,
    Simulation,
    Stage,
    Value,
)

Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Rfc3339 = Annotated[str, StringConstraints(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z$")]


class _Model(BaseModel):
    # Without "constants" an infinite setting would be sealed as null; with it, sealing refuses it.
    # Built when first used: most of a run, and the list of runs still open, needs no record.
    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        use_attribute_docstrings=True,
        ser_json_inf_nan="constants",
        defer_build=True,
    )


class Personal(_Model):
    """A personal value, as SHA-256 over the bytes of its salt followed by its UTF-8 text."""

    sha256: Sha256


class Disclosure(_Model):
    """What stands behind one personal field. A copy without it shows the field as withheld."""

    salt: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{32}$")]
    value: str


class RecordedPerson(_Model):
    name: Personal
    known: str
    """How the person was known: typed, from the order, from an answers file."""


class RecordedAnswer(_Model):
    kind: str
    shown: str
    """The question as it was shown."""
    value: Value
    unit: str = ""
    by: RecordedPerson
    at: Moment
    from_memory: bool = False
    """Answered after what it asks about was covered up: it covers nothing."""


class RecordedName(_Model):
    """A reading that names a network, a device or a person."""

    take: int
    """Which repeat, from 1."""
    reading: str
    value: Personal
    origin: str = ""


class RecordedAttempt(_Model):
    """One try at a check; the last that is not set aside counts."""

    began: Moment
    ended: Moment | None
    takes: tuple[tuple[Reading, ...], ...]
    """One list of readings a repeat."""
    names: tuple[RecordedName, ...] = ()
    """The readings whose values are personal fields."""
    answers: tuple[RecordedAnswer, ...] = ()
    finding: Finding | None
    """Null where the attempt was interrupted."""
    set_aside: str = ""
    host: str = ""
    """Which host the readings came from."""
    cycles: tuple[Cycle, ...] = ()
    """Cold starts or positions, each with its finding; empty for a check without cycles."""


class RecordedCheck(_Model):
    id: str
    title: str
    stage: Stage
    required: bool
    probe: str | None = None
    prompt: str | None = None
    settings: dict[str, Any] = Field(default_factory=dict)
    covers: tuple[str, ...] = ()
    attempts: tuple[RecordedAttempt, ...] = ()

    @property
    def counting(self) -> RecordedAttempt | None:
        """The attempt that counts; None when every one was set aside."""
        return next((a for a in reversed(self.attempts) if not a.set_aside), None)

    @property
    def finding(self) -> Finding | None:
        return self.counting.finding if self.counting else None


class RecordedAct(_Model):
    """Something a person did to the unsealed run: correct, again, reopen, waive, or go on despite a quarantine."""

    kind: Literal["correct", "again", "reopen", "waive", "go-on"]
    subject: str
    why: str
    by: RecordedPerson
    at: Moment
    value: Value | None = None


class UnitRecord(_Model):
    model: str
    serial: str | None
    """The serial number on which the sources that exist agree; null when none says one."""
    serials: tuple[SerialNumber, ...]
    """What each source said, at the start and at each resume."""


class ReplacedRecord(_Model):
    part: str
    title: str
    old_number: str | None = None
    number: str | None = None
    serial: str | None = None
    lot: str | None = None
    expiry: str | None = None


class OrderRecord(_Model):
    """The repair order. Its technician is a personal field."""

    ticket: str | None = None
    complaint: str | None = None
    document: str | None = None
    technician: Personal | None = None
    replaced: tuple[ReplacedRecord, ...] = ()
    consumables: tuple[dict[str, str | None], ...] = ()
    fasteners: dict[str, dict[str, int]] = Field(default_factory=dict)


class SuiteRecord(_Model):
    model: str
    title: str
    revision: int
    state: Literal["trial", "approved"]
    cautions: tuple[str, ...] = ()
    sha256: Sha256
    """Digest of the suite file's bytes."""
    text: str
    """The suite file itself."""
    pictures: dict[str, Sha256] = Field(default_factory=dict)
    """Digests of the pictures that prompts showed, by file name as the suite names them."""


class StationRecord(_Model):
    name: str
    key: str
    """RFC 7638 thumbprint of the key that seals this record."""


class HostRecord(_Model):
    address: str
    """Where the probes read: local, recorded:DIR, ..."""
    facts: dict[str, str]
    simulation: Simulation | None = None
    """What was simulated, and from which seed; null where something real was read."""

    @property
    def faults(self) -> tuple[InjectedFault, ...]:
        """What was put into a simulated unit on purpose."""
        return self.simulation.faults if self.simulation is not None else ()


class ClockRecord(_Model):
    """What is known of the station's own clock."""

    synchronised: bool | None
    """Whether the kernel says that the clock is disciplined; null when it does not say."""
    offset_s: float | None = None
    """Offset from a reference in seconds, where one was asked."""
    simulated: bool = False
    """True where all times of this record are simulated ones."""


class Times(_Model):
    """UTC, for people. Durations come from the monotonic clock."""

    began: Rfc3339
    ended: Rfc3339
    took_s: float | None
    """Seconds from first to last event; null when the station was powered down in between."""
    clock: ClockRecord


class JournalRecord(_Model):
    lines: int
    sha256: Sha256
    """Hash of the journal's last line, which chains all before it."""


class LedgerRecord(_Model):
    """Where this record stands in the station's ledger."""

    index: int = Field(ge=0)
    head: str | None
    """The signed tree head before this record, a compact JWS; null for the first record."""


class Record(_Model):
    """Everything one run saw and decided."""

    schema_version: Literal[1] = Field(alias="schema", default=1)
    run: str
    role: Role
    """station: sealed by a bench; self: by the unit about itself; simulated: no real unit."""
    unit: UnitRecord
    order: OrderRecord
    suite: SuiteRecord
    station: StationRecord
    host: HostRecord
    software: dict[str, str]
    times: Times
    decision: Decision
    technician: RecordedPerson | None = None
    checks: tuple[RecordedCheck, ...]
    acts: tuple[RecordedAct, ...] = ()
    interruptions: tuple[Interruption, ...] = ()
    outcome: Outcome
    journal: JournalRecord
    ledger: LedgerRecord | None = None
    """Filled in under the ledger's lock, just before signing."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        use_attribute_docstrings=True,
        ser_json_inf_nan="constants",
        populate_by_name=True,
    )


Disclosed = dict[str, Disclosure]
"""Digest of a personal field to what stands behind it."""


def disclosed_value(personal: Personal, disclosed: Disclosed) -> str | None:
    """The value behind a personal field; None when it is withheld from this copy."""
    found = disclosed.get(personal.sha256)
    return found.value if found else None
