"""What a person wants to amend -> the amendment, held against how the record stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from verifier.errors import InputError
from verifier.readings import Person
from verifier.seal.amending import Make, Standing
from verifier.seal.amendment import LONGEST_TEXT, PERSONAL, Amendment, FieldChange, Kind, Successor
from verifier.seal.envelope import Sealed
from verifier.seal.keys import SigningKey
from verifier.seal.personal import PersonalFields
from verifier.seal.record import Disclosed, Personal, RecordedPerson, StationRecord, disclosed_value


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a person wants to say of a sealed record."""

    kind: Kind
    reason: str
    by: Person
    at: str
    """RFC 3339 UTC."""
    changes: Mapping[str, str] = field(default_factory=dict)
    """Field to new value; empty takes the value away. For `correct` alone."""
    successor: Sealed | None = None
    successor_standing: Standing = field(default_factory=Standing)
    """How the successor stands itself. Both for `supersede` alone."""
    software: Mapping[str, str] = field(default_factory=dict)


def amendment_for(wanted: Wanted, sealed: Sealed, key: SigningKey, station: str) -> Make:
    """What `seal_amendment` calls under the ledger's lock. It raises `InputError` where that cannot be said."""

    def make(standing: Standing) -> tuple[Amendment, Disclosed]:
        _refuse_pointless(wanted, standing, sealed)
        personals = PersonalFields()
        by = RecordedPerson(name=personals.add(_bounded(wanted.by.name, "the name")), known=wanted.by.known)
        changes, kept = _changes(wanted, standing, sealed, personals)
        amendment = Amendment(
            kind=wanted.kind,
            run=sealed.record.run,
            amends=sealed.digest,
            role=sealed.record.role,
            station=StationRecord(name=station, key=key.thumbprint),
            fields=changes,
            successor=_successor(wanted, standing, sealed),
            reason=_bounded(wanted.reason, "the reason"),
            by=by,
            at=wanted.at,
            software=dict(wanted.software),
        )
        return amendment, personals.disclosed | kept

    return make


def _bounded(text: str, what: str) -> str:
    # Bytes that are no text (typed in a wrong encoding) become "?".
    text = text.strip().encode("utf-8", "replace").decode("utf-8")
    if not 0 < len(text) <= LONGEST_TEXT:
        raise InputError(
            f"{what} is {'empty' if not text else 'too long'}", to_do=f"1 to {LONGEST_TEXT} characters."
        )
    return text


def _refuse_pointless(wanted: Wanted, standing: Standing, sealed: Sealed) -> None:
    run = sealed.record.run
    if wanted.kind != "supersede" and standing.voided:
        raise InputError(f"run {run} is voided already", to_do="A new run may supersede it; see `verifier runs`.")
    if wanted.kind == "correct" and standing.superseded and standing.superseded.successor:
        raise InputError(
            f"run {run} is superseded by run {standing.superseded.successor.run}", to_do="Correct that one."
        )


def _changes(
    wanted: Wanted, standing: Standing, sealed: Sealed, personals: PersonalFields
) -> tuple[tuple[FieldChange, ...], Disclosed]:
    """The changes, and what stands behind personal values that are given up."""
    if wanted.kind != "correct":
        return (), {}
    said = standing.fields(sealed.record)
    known = sealed.disclosed | standing.disclosed
    kept: Disclosed = {}
    changes = []
    for name, text in wanted.changes.items():
        if name not in said:
            raise InputError(
                f"{name!r} is no field that can be corrected",
                to_do=f"Those are: {', '.join(said)}. Findings are never corrected: run the suite again and "
                "let the new run supersede this one.",
            )
        old, new = said[name], _bounded(text, name) if text.strip() else None
        now = disclosed_value(old, known) if isinstance(old, Personal) else old
        if new == now and not (isinstance(old, Personal) and now is None):
            raise InputError(f"{name} says {now or 'nothing'} already", to_do="Leave it out.")
        if isinstance(old, Personal) and old.sha256 in known:
            kept[old.sha256] = known[old.sha256]
        changes.append(
            FieldChange(field=name, old=old, new=personals.add(new) if new and name in PERSONAL else new)
        )
    if not changes:
        raise InputError("nothing is named that is to be corrected", to_do="Add --correct FIELD=VALUE.")
    return tuple(changes), kept


def _successor(wanted: Wanted, standing: Standing, sealed: Sealed) -> Successor | None:
    if wanted.kind != "supersede":
        return None
    other = wanted.successor
    if other is None:
        raise InputError("no run is named that takes its place", to_do="Add --superseded-by RUN.")
    run, new = sealed.record.run, other.record
    where = f"run {new.run}"
    if other.digest == sealed.digest:
        raise InputError("a run cannot supersede itself", where=where)
    if new.role != sealed.record.role:
        raise InputError(
            f"it was sealed as {new.role}, run {run} as {sealed.record.role}",
            where=where,
            to_do="Evidence of another kind cannot take its place.",
        )
    one, two = standing.fields(sealed.record)["serial"], wanted.successor_standing.fields(new)["serial"]
    if new.unit.model != sealed.record.unit.model or (one and two and one != two):
        raise InputError(
            f"it is about another unit: {new.unit.model} {two or 'without serial number'}, "
            f"run {run} about {sealed.record.unit.model} {one or 'without serial number'}",
            where=where,
            to_do="Correct the serial number first, if that is what is wrong.",
        )
    if wanted.successor_standing.voided or wanted.successor_standing.superseded:
        raise InputError(
            f"it is {wanted.successor_standing.word} itself", where=where, to_do="Name the run that stands."
        )
    return Successor(run=new.run, record=other.digest)
