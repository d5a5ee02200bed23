"""From a file to "unaltered since sealed by": every rule that stands between the two.

The rules, in the order in which they are enforced. None of them trusts anything that came with the file.

 1. A signature is a compact JWS of three parts (`jws.take_apart`).
 2. Size is bounded before anything is decoded: 20 MB a file, 20 MB inflated (`audit`, `page`, `strict_json`).
 3. base64url writes back to the same characters (`jws.unb64u`).
 4. The protected header holds exactly alg, kid and typ; no member occurs twice, in header or payload
    (`jws.take_apart`, `strict_json.loads`).
 5. alg is exactly Ed25519; typ is the one of this purpose (`jws.take_apart`, `jws.Typ`).
 6. The key comes from the trust list, by thumbprint, and its roles include what the record says of its
    origin: station, self or simulated (`_signer`, `_check_record`).
 7. NaN, Infinity and integers beyond 2^53 are refused (`strict_json.loads`).
 8. Hashes are 64 lower-case hex characters (`envelope.parse`, `_head`).
 9. The envelope equals its own re-serialisation (`envelope.parse`).
10. The receipt: inclusion by RFC 9162, 2.1.3.2 with index < size, under a head by the same key, and the
    index is the one that the record names; the head before it, which the record holds, has exactly that
    many records (`_check_receipt`, `_check_head_before`).
11. What is disclosed hashes to a digest that stands in the record (`_check_disclosed`).
12. A record by a retired key counts only where its inclusion is proved under the ledger's root at retirement,
    which the trust list holds: any other receipt could be made by whoever took the key. The proof is its
    receipt, where that is for just that head, or comes from the ledger itself (`_check_retired`, `Proofs`).

An amendment is held against the same rules; its typ is its own, and `amending` says when it counts.

What is left to the reader: that the trust list is the right one. A receipt never shows that nothing
was left out of the ledger.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, ParamSpec

from verifier.errors import SealError
from verifier.readings import Role
from verifier.seal import envelope as envelopes
from verifier.seal import jws, strict_json
from verifier.seal.envelope import Envelope, NotSealedRecord
from verifier.seal.merkle import leaf_hash, verify_inclusion
from verifier.seal.personal import personal_digest
from verifier.seal.trust import TRUST_ROLES, Retired, TrustedKey, TrustList

P = ParamSpec("P")
Proofs = Callable[[Role, int, int], Sequence[bytes] | None]
"""Gives the inclusion path of a ledger's entry (role, index) in the tree of a size; None where it has none.
It is not believed: what it gives is held against the root in the trust list."""
KINDS = ("correct", "void", "supersede")
"""What an amendment can do to a record."""
AnyTyp = tuple[jws.Typ, ...]
A_RECORD: AnyTyp = (jws.Typ.RECORD,)
AN_AMENDMENT: AnyTyp = (jws.Typ.AMENDMENT,)


class Status(StrEnum):
    """What an audit says of a file or a part of it. Only the first is good."""

    UNALTERED = "unaltered"
    ALTERED = "altered"
    MISMATCH = "mismatch"
    WRONG_ROLE = "wrong-role"
    UNKNOWN_SIGNER = "unknown-signer"
    RETIRED_KEY = "retired-key"
    DAMAGED = "damaged"
    UNREADABLE = "unreadable"


WORST_FIRST = (
    Status.UNREADABLE,
    Status.ALTERED,
    Status.MISMATCH,
    Status.WRONG_ROLE,
    Status.DAMAGED,
    Status.UNKNOWN_SIGNER,
    Status.RETIRED_KEY,
    Status.UNALTERED,
)


def worst(statuses: list[Status]) -> Status:
    """The one that decides; no status at all is not a good one."""
    return min(statuses, key=WORST_FIRST.index, default=Status.UNREADABLE)


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a file: file, record, receipt, disclosed fields, page."""

    name: str
    status: Status | None
    """None where it could not be looked at, because of another part."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Signer:
    """Who sealed it, as far as the trust list knows."""

    station: str
    thumbprint: str
    role: Role


@dataclass(frozen=True, slots=True)
class Checked:
    """What verification found in one sealed record."""

    parts: list[Part]
    kid: str = ""
    """Thumbprint that the seal names; proves nothing while the signer is unknown."""
    signer: Signer | None = None
    """Set only where the record's signature is good and by a trusted key."""
    record: dict[str, Any] = field(default_factory=dict)
    """The record, only where `signer` is set."""
    envelope: Envelope | None = None
    typ: jws.Typ = jws.Typ.RECORD
    withheld: int = 0
    notes: list[str] = field(default_factory=list)

    @property
    def status(self) -> Status:
        return worst([part.status for part in self.parts if part.status])


class Refused(SealError):
    """A rule was broken; `status` says how that is to be called."""

    def __init__(self, what: str, *, where: str = "", to_do: str = "", status: Status = Status.ALTERED) -> None:
        self.status = status
        super().__init__(what, where=where, to_do=to_do)


def check_sealed(
    data: bytes, trust: TrustList, *, proofs: Proofs | None = None, typs: AnyTyp = A_RECORD
) -> Checked:
    """Hold a sealed record's bytes against every rule. Raises nothing for whatever `data` holds.

    `typs` says what it may be: a record, an amendment, or either.
    """
    try:
        envelope = envelopes.parse(data)
    except NotSealedRecord as error:
        return Checked([_loosely(data, trust, proofs, typs) or Part("file", Status.ALTERED, error.what)])
    return check_envelope(envelope, trust, proofs=proofs, typs=typs)


def check_envelope(
    envelope: Envelope, trust: TrustList, *, proofs: Proofs | None = None, typs: AnyTyp = A_RECORD
) -> Checked:
    """Rules 1 to 8 and 10 to 12 on an envelope that has been parsed."""
    try:
        signed = jws.take_apart(envelope.record, *typs)
    except SealError as error:
        return Checked([Part("record", Status.ALTERED, error.what)], envelope=envelope)
    try:
        key = _signer(signed, trust)
        record = _check_record(signed, key)
    except Refused as error:
        rest = [Part("receipt", None), Part("disclosed fields", None)]
        return Checked([Part("record", error.status, error.what), *rest], kid=signed.kid, envelope=envelope)
    except SealError as error:
        return Checked([Part("record", Status.ALTERED, error.what)], kid=signed.kid, envelope=envelope)
    notes: list[str] = []
    in_record = envelopes.personal_digests(signed.payload)
    parts = [
        Part("record", Status.UNALTERED),
        _part("receipt", _check_receipt, envelope, record, key, notes, proofs),
        _part("disclosed fields", _check_disclosed, envelope, in_record),
    ]
    withheld = len(in_record - envelope.disclosed.keys())
    named = record["station"]["name"]
    if key.name and key.name != named:
        notes.append(f"The record calls its station {named!r}; the trust list calls it {key.name!r}.")
    signer = Signer(key.name or named, key.thumbprint, record["role"])
    return Checked(parts, signed.kid, signer, record, envelope, signed.typ, withheld, notes)


def verify_signature(text: str, typ: jws.Typ, trust: TrustList) -> tuple[TrustedKey, bytes]:
    """Rules 1 and 3 to 6 for any JWS: its trusted key and its payload. Raises `SealError`."""
    signed = jws.take_apart(text, typ)
    return _signer(signed, trust), signed.payload


def _part(name: str, check: Callable[P, None], *args: P.args, **kwargs: P.kwargs) -> Part:
    try:
        check(*args, **kwargs)
    except SealError as error:
        return Part(name, error.status if isinstance(error, Refused) else Status.ALTERED, error.what)
    return Part(name, Status.UNALTERED)


def _signer(signed: jws.Signed, trust: TrustList) -> TrustedKey:
    key = trust.get(signed.kid)
    if key is None:
        raise Refused(
            f"sealed with the key {signed.kid}, which is not among the trusted ones",
            status=Status.UNKNOWN_SIGNER,
        )
    signed.verify(key.public)
    return key


def _check_record(signed: jws.Signed, key: TrustedKey) -> dict[str, Any]:
    """Rules 6 and 7. Looks only at what sealing itself put into the record, so that any version can be audited."""
    record = strict_json.loads(signed.payload, what="the record")
    match record:
        case {
            "run": str(),
            "role": str() as role,
            "station": {"name": str(), "key": str() as named},
            "ledger": {"index": int() as index, "head": str() | None},
        } if index >= 0:
            pass
        case _:
            raise Refused("the record does not say its run, role, station and place in the ledger")
    if signed.typ is jws.Typ.AMENDMENT and not (
        record.get("kind") in KINDS and envelopes.is_hash(record.get("amends"))
    ):
        raise Refused("the amendment does not say what it does to which record")
    if named != key.thumbprint:
        raise Refused("the record names another key than the one that sealed it")
    if role not in key.roles or role not in TRUST_ROLES - {"approver"}:
        raise Refused(
            f"the record says that its origin is {role!r}; its key seals only as {', '.join(sorted(key.roles))}",
            status=Status.WRONG_ROLE,
        )
    return record  # type: ignore[no-any-return]


def _check_receipt(
    envelope: Envelope, record: dict[str, Any], key: TrustedKey, notes: list[str], proofs: Proofs | None
) -> None:
    """Rule 10."""
    receipt = envelope.receipt
    if receipt.index != record["ledger"]["index"]:
        raise Refused("the receipt is for another place in the ledger than the record's")
    signed = jws.take_apart(receipt.head, jws.Typ.HEAD)
    if signed.kid != key.thumbprint:
        raise Refused("the receipt's head is signed with another key than the record")
    size, root = head_of(signed.verify(key.public))
    if size != receipt.size:
        raise Refused("the receipt's head has another size than the receipt says")
    leaf = leaf_hash(envelope.record.encode("ascii"))
    path = [bytes.fromhex(step) for step in receipt.path]
    if not verify_inclusion(leaf, receipt.index, size, path, bytes.fromhex(root)):
        raise Refused("the receipt does not show this record in the ledger")
    _check_head_before(record, key, notes)
    if key.retired and (size, root) != (key.retired.size, key.retired.root):
        _check_retired(leaf, record, key.retired, proofs)


def _check_head_before(record: dict[str, Any], key: TrustedKey, notes: list[str]) -> None:
    """The head that the record itself holds: the ledger just before it.

    The record's own signature covers it, so its signature is not verified a second time here: whether all heads
    of a ledger belong together is the question of an audit of the whole ledger.
    """
    index, before = record["ledger"]["index"], record["ledger"]["head"]
    if (before is None) != (index == 0):
        raise Refused("only the first record of a ledger has no head before it")
    if before is None:
        return
    signed = jws.take_apart(before, jws.Typ.HEAD)
    if head_of(signed.payload)[0] != index:
        raise Refused("the ledger's head before this record has another size than the record's place")
    if signed.kid != key.thumbprint:
        notes.append(f"The ledger's head before this record is signed with another key, {signed.kid}.")


def _check_retired(leaf: bytes, record: dict[str, Any], retired: Retired, proofs: Proofs | None) -> None:
    """Rule 12."""
    index, role = record["ledger"]["index"], record["role"]
    path = proofs(role, index, retired.size) if proofs and index < retired.size else None
    if path is None or not verify_inclusion(leaf, index, retired.size, path, bytes.fromhex(retired.root)):
        raise Refused(
            "the signature is good, but the key has been retired since and nothing here shows that the record is "
            f"older; that takes its inclusion proof under the ledger's root at {retired.size} records",
            status=Status.RETIRED_KEY,
        )


def _check_disclosed(envelope: Envelope, in_record: frozenset[str]) -> None:
    """Rule 11. A field that is not disclosed is withheld, which is nobody's fault."""
    for digest, disclosure in envelope.disclosed.items():
        if digest not in in_record:
            raise Refused("a value is disclosed that does not belong to this record")
        if personal_digest(bytes.fromhex(disclosure.salt), disclosure.value) != digest:
            raise Refused("a disclosed value is not the one that was sealed")


_HEAD = re.compile(rb'\{"root":"(?P<root>[0-9a-f]{64})","size":(?P<size>[1-9][0-9]{0,15})\}')


def head_of(payload: bytes) -> tuple[int, str]:
    """Size and root of a signed head's payload. Raises `SealError`."""
    found = _HEAD.fullmatch(payload)
    if found and (size := int(found["size"])) <= strict_json.LARGEST_INTEGER:
        return size, found["root"].decode("ascii")
    raise Refused("a signed head does not hold exactly a size and a root")


_NEWLINES = ((b"\r\n", b"\n"), (b"\r", b"\n"))


def restored(data: bytes) -> list[bytes]:
    """What `data` may have been before a mail program or an editor changed its line ends, its end or its start."""
    plain = data.removeprefix(b"\xef\xbb\xbf")
    candidates = []
    for old, new in (*_NEWLINES, (b"", b"")):
        text = plain.replace(old, new) if old else plain
        candidates.append(text.rstrip(b" \t\r\n\x1a\x00") + b"\n")
    return [c for c in dict.fromkeys(candidates) if c != data]


def _loosely(data: bytes, trust: TrustList, proofs: Proofs | None, typs: AnyTyp) -> Part | None:
    """Is it only the layout that differs? Then the file is damaged, and says so; it is never called unaltered."""
    if not data.rstrip().endswith(b"}") and data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b'{"disclosed":{'):
        return Part("file", Status.DAMAGED, "its end is missing, as after a broken transfer")
    try:
        loose = envelopes.parse_loosely(data.removeprefix(b"\xef\xbb\xbf").rstrip(b"\x1a\x00"))
    except NotSealedRecord:
        return None
    if check_envelope(loose, trust, proofs=proofs, typs=typs).status is not Status.UNALTERED:
        return None
    return Part(
        "file",
        Status.DAMAGED,
        "its content verifies, but line ends, spacing or order are not as they were sealed: "
        "damaged in transfer, or saved by an editor; get the original file again",
    )
