"""The amendment: a later sealed record that corrects, voids or supersedes an earlier one.

Nothing that is sealed is ever edited. An amendment names the record by its digest, is entered in the
same ledger as an ordinary leaf, and lies beside the run in the same form of file as a sealed record
(`envelope`), signed for a purpose of its own. What a person typed about the unit or the order can be
corrected; a reading, an answer or a finding cannot: that takes a new run, which supersedes the old.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from verifier.errors import SealError
from verifier.readings import Role
from verifier.seal import envelope as envelopes
from verifier.seal import jws, strict_json
from verifier.seal.envelope import Envelope, NotSealedRecord
from verifier.seal.record import (
    Disclosed,
    LedgerRecord,
    Personal,
    Record,
    RecordedPerson,
    Rfc3339,
    Sha256,
    StationRecord,
)

Kind = Literal["correct", "void", "supersede"]
LONGEST_TEXT = 2000
"""Characters of a reason, or of a corrected value."""
Text = Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_TEXT)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, populate_by_name=True)


class FieldChange(_Model):
    """One field with what it said before this amendment, and what it is to say."""

    field: Text
    """Which field, as `correctable` names it: serial, ticket, radio-module.lot, ..."""
    old: str | Personal | None
    """Null where nothing was stated."""
    new: str | Personal | None
    """Null where nothing is to be stated."""


class Successor(_Model):
    """The run that takes the place of the amended one."""

    run: str
    record: Sha256
    """SHA-256 of its record's JWS."""


class Amendment(_Model):
    """What somebody had to say of a record after it was sealed."""

    schema_version: Literal[1] = Field(alias="schema", default=1)
    kind: Kind
    run: str
    """The run whose record is amended."""
    amends: Sha256
    """SHA-256 of the amended record's JWS."""
    role: Role
    """That of the amended record."""
    station: StationRecord
    fields: tuple[FieldChange, ...] = ()
    """For `correct` alone."""
    successor: Successor | None = None
    """For `supersede` alone."""
    reason: Text
    by: RecordedPerson
    at: Rfc3339
    """UTC, for people."""
    software: dict[str, str]
    ledger: LedgerRecord | None = None
    """Filled in under the ledger's lock, just before signing."""


@dataclass(frozen=True)
class SealedAmendment:
    """An amendment, read for showing. Its seal has not been verified by reading it."""

    raw: bytes
    envelope: Envelope
    amendment: Amendment

    @property
    def digest(self) -> str:
        """SHA-256 of the amendment's JWS."""
        return self.envelope.digest

    @property
    def disclosed(self) -> Disclosed:
        return self.envelope.disclosed

    @property
    def index(self) -> int:
        return self.amendment.ledger.index if self.amendment.ledger else -1

    def withhold(self) -> bytes:
        """A copy of the file that discloses nothing. Its seal is as good as this one's."""
        return Envelope(self.envelope.record, self.envelope.receipt, {}).to_bytes()


def open_amendment(data: bytes) -> SealedAmendment:
    """Read a sealed amendment to show it. Verifies no signature. Raises `NotSealedRecord`."""
    envelope = envelopes.parse(data)
    try:
        payload = jws.take_apart(envelope.record, jws.Typ.AMENDMENT).payload
        amendment = Amendment.model_validate(strict_json.loads(payload, what="the amendment"))
    except ValidationError as error:
        raise NotSealedRecord("the amendment in it is not one that this version reads") from error
    except SealError as error:
        raise NotSealedRecord(f"the amendment in it cannot be read: {error.what}") from error
    return SealedAmendment(data, envelope, amendment)


def correctable(record: Record) -> dict[str, str | Personal | None]:
    """The fields of a record that can be corrected, with what they say."""
    fields: dict[str, str | Personal | None] = {
        "serial": record.unit.serial,
        "ticket": record.order.ticket,
        "complaint": record.order.complaint,
        "document": record.order.document,
        "technician": record.technician.name if record.technician else None,
        "order-technician": record.order.technician,
    }
    for part in record.order.replaced:
        fields |= {
            f"{part.part}.number": part.number,
            f"{part.part}.old-number": part.old_number,
            f"{part.part}.serial": part.serial,
            f"{part.part}.lot": part.lot,
            f"{part.part}.expiry": part.expiry,
        }
    return fields


PERSONAL = frozenset({"technician", "order-technician"})
"""Correctable fields that hold a person's name."""
