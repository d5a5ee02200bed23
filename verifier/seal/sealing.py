"""Seals a run: signs its record, enters it in the ledger, and writes the sealed record beside the journal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pydantic_core import PydanticSerializationError

from verifier.errors import SealError
from verifier.seal import jws, ledger, strict_json
from verifier.seal.durable import read_bounded, told, write_durably
from verifier.seal.envelope import LARGEST_FILE, Sealed, open_sealed, personal_digests
from verifier.seal.keys import SigningKey
from verifier.seal.personal import personal_digest
from verifier.seal.record import Disclosed, LedgerRecord, Record
from verifier.seal.trust import TrustedKey, TrustList
from verifier.seal.verify import Status, check_sealed

_ROOM_FOR_RECEIPT = 20_000


def seal_run(
    record: Record,
    disclosed: Disclosed,
    key: SigningKey,
    ledger_dir: Path,
    target: Path,
    *,
    retired: Sequence[TrustedKey] = (),
) -> Sealed:
    """Seal `record` under `key` in the ledger `ledger_dir/ROLE`, write `target`, and give what stands there.

    May be called again at any time: a run that is sealed stays as it was sealed first, and a sealing that was
    cut off is completed. So the record that is given back counts, not the one that was handed in.
    `retired` are the station's keys of before: a run may have been sealed and its key retired before this call.
    Raises `SealError`; nothing has been sealed then, or the next call completes it.
    """
    _check(record, disclosed, key)
    with ledger.locked(ledger_dir / key.role, key, record.run, target) as book:
        unplaced = ledger_dir / key.role / "unplaced" / f"{record.run}.json"
        if unplaced.is_file() and not target.exists():
            with told("the sealed record cannot be written", target):
                write_durably(target, read_bounded(unplaced, LARGEST_FILE))
                unplaced.unlink()
        if not target.exists():

            def sign(index: int, head: str | None) -> str:
                return key.sign(_payload(record, LedgerRecord(index=index, head=head), disclosed), jws.Typ.RECORD)

            book.seal(record.run, sign, disclosed, target)
        # Read back before anything is built on it.
        sealed = read_sealed(target)
    trust = TrustList([*retired, *TrustList.of([key]).values()])
    checked = check_sealed(
        sealed.raw, trust, proofs=lambda role, index, size: ledger.proof_under(ledger_dir / role, index, size)
    )
    if sealed.record.run != record.run or checked.status is not Status.UNALTERED:
        raise SealError(
            "a file stands here that this station's key did not seal for this run",
            where=str(target),
            to_do="Audit it, move it away, and seal again.",
        )
    return sealed


def read_sealed(path: Path) -> Sealed:
    """The sealed record in a file, for showing; its seal is not verified. Raises `SealError`."""
    with told("the sealed record cannot be read", path, "Check the path and who may read it."):
        data = read_bounded(path, LARGEST_FILE)
    try:
        return open_sealed(data)
    except SealError as error:
        raise SealError(
            error.what,
            where=str(path),
            to_do=error.to_do or f"`verifier audit {path}` says what is wrong with it.",
        ) from error


def record_bytes(record: Record) -> bytes:
    """The record as it is signed. Raises `SealError` where it holds what cannot be signed."""
    try:
        value = record.model_dump(mode="json", by_alias=True)
    except PydanticSerializationError as error:
        raise SealError(
            f"the record cannot be written: {error}", to_do="This is a fault of a probe: report it."
        ) from error
    data = strict_json.dumps(value, what="the record")
    strict_json.loads(data, what="the record")  # what nobody would read back is not signed
    return data


def _payload(record: Record, place: LedgerRecord, disclosed: Disclosed) -> bytes:
    data = record_bytes(record.model_copy(update={"ledger": place}))
    values = sum(len(d.value.encode("utf-8")) + 150 for d in disclosed.values())
    if len(data) * 4 / 3 + values + _ROOM_FOR_RECEIPT > LARGEST_FILE:
        raise SealError(
            f"the record is {len(data)} bytes long; a sealed record takes at most {LARGEST_FILE}",
            to_do="Keep fewer samples or photos in it.",
        )
    if foreign := disclosed.keys() - personal_digests(data):
        raise SealError(f"a personal value is disclosed that is not in the record: {min(foreign)}")
    return data


def _check(record: Record, disclosed: Disclosed, key: SigningKey) -> None:
    if record.role != key.role:
        raise SealError(f"a record of role {record.role} cannot be sealed with the key for {key.role}")
    if record.station.key != key.thumbprint:
        raise SealError("the record names another key than the one that is to seal it")
    for digest, disclosure in disclosed.items():
        if personal_digest(bytes.fromhex(disclosure.salt), disclosure.value) != digest:
            raise SealError(f"what is disclosed for {digest} does not hash to it")
