"""Retires a key: from then on only what already stands in the ledger counts as sealed with it.

What is kept is the public half with the ledger's size and root at that moment. The private half is
removed; the next seal of the role makes a new one and the ledger goes on. Steps, under the ledger's
lock: complete what was being sealed, note size and root, write `retired.json`, remove the key's file.
A retirement that was cut off after the third step counts: `keys.load` passes such a file over.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from verifier.errors import InputError, SealError
from verifier.readings import Role
from verifier.seal import keys, ledger, strict_json
from verifier.seal.durable import sync_folder, told, write_durably
from verifier.seal.envelope import Envelope, Receipt, Sealed, open_sealed
from verifier.seal.merkle import leaf_hash, verify_inclusion
from verifier.seal.trust import Retired, TrustedKey, TrustList
from verifier.seal.verify import Proofs


@dataclass(frozen=True, slots=True)
class Retirement:
    thumbprint: str
    role: Role
    retired: Retired


def retire(keys_dir: Path, role: Role, ledger_dir: Path, name: str) -> Retirement:
    """Retire the station's key for `role`. Raises `InputError` where there is none, `SealError` where it fails."""
    key = keys.load(keys_dir, role)
    if key is None:
        raise InputError(
            f"there is no key of role {role} to retire",
            where=str(keys_dir),
            to_do="`verifier keys show` lists them.",
        )
    with ledger.locked(ledger_dir / role, key, "", keys_dir) as book:
        size, root = book.standing()
        entry = key.public_jwk(name) | {"retired": {"size": size, "root": root}}
        entries = [*keys.retired_entries(keys_dir), entry]
        path = keys.retired_file(keys_dir)
        with told("the retirement cannot be written", path):
            write_durably(path, strict_json.dumps({"keys": entries}) + b"\n")
            (keys_dir / f"{role}.pem").unlink()
            sync_folder(keys_dir)
    return Retirement(key.thumbprint, role, Retired(size, root))


def retired_keys(keys_dir: Path) -> list[TrustedKey]:
    """The station's own retired keys. Raises `SealError` or `InputError`; creates nothing."""
    entries = keys.retired_entries(keys_dir)
    if not entries:
        return []
    return list(
        TrustList.parse(strict_json.dumps({"keys": entries}), where=str(keys.retired_file(keys_dir))).values()
    )


def proofs_from(ledger_dir: Path) -> Proofs:
    """Inclusion proofs out of a station's own ledgers, for `audit`."""
    return lambda role, index, size: ledger.proof_under(ledger_dir / role, index, size)


def with_receipt_at(sealed: Sealed, retired: Retired, ledger_dir: Path) -> Sealed | None:
    """The sealed record with its receipt under the head of the retirement, so that anybody can audit it.

    The record's JWS stays as it is; None where the ledger here cannot show it.
    """
    index = sealed.receipt.index
    folder = ledger_dir / sealed.record.role
    path, head = ledger.proof_under(folder, index, retired.size), ledger.head_over(folder, retired.size)
    leaf = leaf_hash(sealed.envelope.record.encode("ascii"))
    if (
        path is None
        or head is None
        or not verify_inclusion(leaf, index, retired.size, path, bytes.fromhex(retired.root))
    ):
        return None
    receipt = Receipt(index=index, size=retired.size, path=tuple(step.hex() for step in path), head=head)
    try:
        return open_sealed(Envelope(sealed.envelope.record, receipt, sealed.disclosed).to_bytes())
    except SealError:
        return None
