"""Retires a key: from then on only what already stands in the ledger counts as sealed with it.

What is kept is the public half with the ledger's size and root at that moment. The private half is
removed; the next seal of the role makes a new one and the ledger goes on. Steps, under the ledger's
lock: complete what was being sealed, note size and root, write `retired.json`, remove the key's file.
A retirement that was cut off after the third step counts: `keys.load` passes such a file over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from verifier.errors import InputError
from verifier.readings import Role
from verifier.seal import keys, ledger, strict_json
from verifier.seal.amending import Standing
from verifier.seal.amendment import open_amendment
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


def portable(sealed: Sealed, own: TrustList, ledger_dir: Path) -> Sealed:
    """The sealed record as others can audit it: where its key was retired, its receipt is under the head of then.

    The record's JWS stays as it is; and so does the whole where the ledger here cannot show it.
    """
    moved = _moved(sealed.envelope, sealed.record.role, sealed.record.station.key, own, ledger_dir)
    return open_sealed(moved.to_bytes()) if moved else sealed


def portable_standing(standing: Standing, own: TrustList, ledger_dir: Path) -> Standing:
    """The same for amendments."""
    amendments = []
    for sealed in standing.amendments:
        said = sealed.amendment
        moved = _moved(sealed.envelope, said.role, said.station.key, own, ledger_dir)
        amendments.append(open_amendment(moved.to_bytes()) if moved else sealed)
    return replace(standing, amendments=tuple(amendments))


def _moved(envelope: Envelope, role: Role, kid: str, own: TrustList, ledger_dir: Path) -> Envelope | None:
    key = own.get(kid)
    if key is None or key.retired is None:
        return None
    index, size = envelope.receipt.index, key.retired.size
    folder = ledger_dir / role
    path, head = ledger.proof_under(folder, index, size), ledger.head_over(folder, size)
    leaf = leaf_hash(envelope.record.encode("ascii"))
    if (
        path is None
        or head is None
        or not verify_inclusion(leaf, index, size, path, bytes.fromhex(key.retired.root))
    ):
        return None
    receipt = Receipt(index=index, size=size, path=tuple(step.hex() for step in path), head=head)
    return Envelope(envelope.record, receipt, envelope.disclosed)
