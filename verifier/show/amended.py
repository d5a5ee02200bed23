"""What was said of a record after it was sealed, for the reports: the first sentence, and the list."""

from __future__ import annotations

from dataclasses import dataclass

from verifier.readings import Outcome
from verifier.seal import Standing
from verifier.seal.amendment import FieldChange
from verifier.seal.record import Disclosed, Personal, Record, RecordedPerson, disclosed_value
from verifier.show import words

_KINDS = {"correct": "Corrected", "void": "Voided", "supersede": "Superseded"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeView:
    field: str
    old: str | None
    new: str | None
    """None where the value is personal and withheld."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AmendmentView:
    word: str
    changes: tuple[ChangeView, ...]
    successor: str
    reason: str
    by: str | None
    known: str
    at: str
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NowView:
    """A field that may have been corrected."""

    now: str | None
    was: str | None
    """What the sealed record says; None where nothing was corrected."""
    corrected: bool


def headline(outcome: Outcome, standing: Standing) -> str:
    """The first sentence of a report: how the record stands now comes before what it found."""
    if standing.voided:
        return f"Voided: {words.sentence(standing.voided.reason)}"
    if standing.superseded and standing.superseded.successor:
        return (
            f"Superseded by run {standing.superseded.successor.run}: {words.sentence(standing.superseded.reason)}"
        )
    return words.headline(outcome)


def stands(standing: Standing) -> bool:
    """Whether the record still counts, corrected or not."""
    return not (standing.voided or standing.superseded)


def views(standing: Standing, disclosed: Disclosed) -> list[AmendmentView]:
    """Every amendment that counts, the first first."""
    known = disclosed | standing.disclosed if disclosed else disclosed
    return [
        AmendmentView(
            word=_KINDS[a.kind],
            changes=tuple(_change(change, known) for change in a.fields),
            successor=a.successor.run if a.successor else "",
            reason=words.sentence(words.capital(a.reason)),
            by=disclosed_value(a.by.name, known),
            known=a.by.known,
            at=words.day_and_time(a.at),
            digest=sealed.digest,
        )
        for sealed in standing.amendments
        for a in (sealed.amendment,)
    ]


def now(field: str, record: Record, standing: Standing) -> NowView:
    """A field as it stands, for fields that hold no person's name."""
    fields = standing.fields(record)
    value, was = fields[field], Standing().fields(record)[field]
    text = value if isinstance(value, str) else None
    return NowView(now=text, was=was if isinstance(was, str) else None, corrected=value != was)


def as_corrected(record: Record, standing: Standing) -> Record:
    """The record with its corrections put in, for showing: what is shown elsewhere must not say the old again."""
    if not standing.corrections:
        return record
    said = standing.fields(record)

    def text(field: str) -> str | None:
        value = said[field]
        return value if isinstance(value, str) else None

    def name(field: str) -> Personal | None:
        value = said[field]
        return value if isinstance(value, Personal) else None

    who, known = name("technician"), record.technician.known if record.technician else "typed"
    replaced = tuple(
        part.model_copy(
            update={
                "number": text(f"{part.part}.number"),
                "old_number": text(f"{part.part}.old-number"),
                "serial": text(f"{part.part}.serial"),
                "lot": text(f"{part.part}.lot"),
                "expiry": text(f"{part.part}.expiry"),
            }
        )
        for part in record.order.replaced
    )
    order = {
        "ticket": text("ticket"),
        "complaint": text("complaint"),
        "document": text("document"),
        "technician": name("order-technician"),
        "replaced": replaced,
    }
    return record.model_copy(
        update={
            "unit": record.unit.model_copy(update={"serial": text("serial")}),
            "order": record.order.model_copy(update=order),
            "technician": RecordedPerson(name=who, known=known) if who else None,
        }
    )


def _change(change: FieldChange, known: Disclosed) -> ChangeView:
    return ChangeView(field=change.field, old=_shown(change.old, known), new=_shown(change.new, known))


def _shown(value: str | Personal | None, known: Disclosed) -> str | None:
    if isinstance(value, Personal):
        return disclosed_value(value, known)
    return "nothing" if value is None else value
