"""Seals amendments, and says which of those beside a run count.

An amendment counts for a record where it holds against every rule of `verify`, names the record's
digest and role, and comes from the station that sealed the record: by the same key, by another of the
asking station's own, or by a key to which the trust list gives the same name. Nobody else's word changes
what a station's record says.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from verifier.errors import SealError
from verifier.seal import jws, ledger, strict_json
from verifier.seal.amendment import Amendment, SealedAmendment, correctable, open_amendment
from verifier.seal.durable import make_folder, read_bounded, told, write_durably
from verifier.seal.envelope import LARGEST_FILE, Sealed
from verifier.seal.keys import SigningKey
from verifier.seal.record import Disclosed, LedgerRecord, Personal, Record
from verifier.seal.trust import TrustList
from verifier.seal.verify import AN_AMENDMENT, Proofs, Status, check_sealed

FOLDER = "amendments"
"""Beside a run's sealed record."""
_MOST = 999


@dataclass(frozen=True, slots=True)
class Standing:
    """What the amendments that count make of a record."""

    amendments: tuple[SealedAmendment, ...] = ()
    """In the order of the ledger."""
    problems: tuple[str, ...] = ()
    """Files that were found and do not count, each with why."""

    def _last(self, kind: str) -> SealedAmendment | None:
        return next((a for a in reversed(self.amendments) if a.amendment.kind == kind), None)

    @property
    def voided(self) -> Amendment | None:
        found = self._last("void")
        return found.amendment if found else None

    @property
    def superseded(self) -> Amendment | None:
        found = self._last("supersede")
        return found.amendment if found else None

    @property
    def corrections(self) -> tuple[Amendment, ...]:
        return tuple(a.amendment for a in self.amendments if a.amendment.kind == "correct")

    @property
    def word(self) -> str:
        """How the record stands: "" where it stands as it was sealed."""
        if self.voided:
            return "voided"
        if self.superseded:
            return "superseded"
        return "corrected" if self.corrections else ""

    def fields(self, record: Record) -> dict[str, str | Personal | None]:
        """The correctable fields, as they stand now."""
        said = correctable(record)
        for correction in self.corrections:
            said |= {change.field: change.new for change in correction.fields if change.field in said}
        return said

    @property
    def disclosed(self) -> Disclosed:
        return {digest: d for a in self.amendments for digest, d in a.disclosed.items()}


Make = Callable[[Standing], tuple[Amendment, Disclosed]]
"""Gives the amendment for how the record stands, which is known only under the ledger's lock."""


def amendments_of(folder: Path, sealed: Sealed, trust: TrustList, proofs: Proofs | None = None) -> Standing:
    """What the files in a run's folder make of its record. Raises nothing for whatever lies there."""
    return counted(
        files_beside(folder), sealed.digest, sealed.record.role, sealed.record.station.key, trust, proofs
    )


def counted(
    files: Iterable[tuple[str, bytes]],
    digest: str,
    role: str,
    key: str,
    trust: TrustList,
    proofs: Proofs | None = None,
) -> Standing:
    """Of the files (name and bytes) those that count for the record with this digest, role and key."""
    good: list[SealedAmendment] = []
    problems = []
    for name, data in files:
        checked = check_sealed(data, trust, proofs=proofs, typs=AN_AMENDMENT)
        try:
            if checked.status is not Status.UNALTERED:
                bad = next(part for part in checked.parts if part.status not in (None, Status.UNALTERED))
                raise SealError(f"{bad.name}: {bad.note}")
            amendment = open_amendment(data)
            if amendment.amendment.amends != digest:
                continue  # it says nothing of this record
            if amendment.amendment.role != role:
                raise SealError("its role is not the record's")
            if not same_station(checked.kid, key, trust):
                raise SealError("it was sealed at another station than the record")
        except SealError as error:
            problems.append(f"The amendment {name} does not count: {error.what}")
        else:
            good.append(amendment)
    unique = {amendment.digest: amendment for amendment in good}
    return Standing(tuple(sorted(unique.values(), key=lambda a: a.index)), tuple(problems))


def same_station(kid: str, other: str, trust: TrustList) -> bool:
    """Whether two keys are one station's, as far as the trust list says."""
    if kid == other:
        return True
    one, two = trust.get(kid), trust.get(other)
    if one is None or two is None:
        return False
    return (one.own and two.own) or one.name == two.name != ""


def seal_amendment(
    make: Make,
    sealed: Sealed,
    key: SigningKey,
    ledger_dir: Path,
    run_folder: Path,
    trust: TrustList,
    proofs: Proofs | None = None,
) -> SealedAmendment:
    """Seal what `make` gives under `key` and write it beside the run. Raises `SealError`.

    Nothing has been sealed then, or the next seal of this role completes it.
    """
    if key.role != sealed.record.role:
        raise SealError(f"a record of role {sealed.record.role} cannot be amended with the key for {key.role}")
    place = run_folder / FOLDER
    with told("the amendment cannot be written", place):
        make_folder(place)
    book_dir = ledger_dir / key.role
    with ledger.locked(book_dir, key, "", place) as book:
        _fetch(book_dir / "unplaced", sealed.record.run, place)
        amendment, disclosed = make(amendments_of(run_folder, sealed, trust, proofs))
        if amendment.amends != sealed.digest or amendment.station.key != key.thumbprint:
            raise SealError("the amendment names another record or another key")
        number = _next_number(place)
        target = place / f"{number:03}.json"

        def sign(index: int, head: str | None) -> str:
            return key.sign(_payload(amendment, LedgerRecord(index=index, head=head)), jws.Typ.AMENDMENT)

        book.seal(_name(amendment.run, number), sign, disclosed, target)
        with told("the amendment cannot be read back", target):
            data = read_bounded(target, LARGEST_FILE)
    checked = check_sealed(data, TrustList.of([key]), typs=AN_AMENDMENT)
    if checked.status is not Status.UNALTERED:
        raise SealError("the amendment does not verify as it was written", where=str(target))
    return open_amendment(data)


def _payload(amendment: Amendment, place: LedgerRecord) -> bytes:
    value = amendment.model_copy(update={"ledger": place}).model_dump(mode="json", by_alias=True)
    data = strict_json.dumps(value, what="the amendment")
    strict_json.loads(data, what="the amendment")  # what nobody would read back is not signed
    return data


def files_beside(folder: Path) -> Iterable[tuple[str, bytes]]:
    """Name and bytes of each file of an amendment that lies beside a run."""
    place = os.path.join(folder, FOLDER)  # noqa: PTH118 - asked for each record of an audit, and mostly in vain
    for file in sorted(Path(place).glob("*.json")) if os.path.isdir(place) else []:  # noqa: PTH112
        try:
            yield file.name, read_bounded(file, LARGEST_FILE)
        except OSError as error:
            yield file.name, f"unreadable: {error}".encode()


def _name(run: str, number: int) -> str:
    return f"{run}-amendment-{number:03}"


def _next_number(place: Path) -> int:
    taken = {file.name for file in place.glob("*.json")}
    number = next((n for n in range(1, _MOST + 1) if f"{n:03}.json" not in taken), None)
    if number is None:
        raise SealError(f"there are {_MOST} amendments already", where=str(place), to_do="Start a new run.")
    return number


def _fetch(unplaced: Path, run: str, place: Path) -> None:
    """Amendments of this run that were completed while its folder was elsewhere."""
    for file in sorted(unplaced.glob(f"{run}-amendment-*.json")) if unplaced.is_dir() else []:
        with told("an amendment cannot be put in its place", place):
            write_durably(place / f"{_next_number(place):03}.json", read_bounded(file, LARGEST_FILE))
            file.unlink()
