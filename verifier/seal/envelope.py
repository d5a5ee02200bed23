"""The sealed record: the file that holds a record with its seal, its receipt and what may be withheld.

    {"disclosed": {digest: {"salt", "value"}}, "receipt": {"head", "index", "path", "size"}, "record": JWS}

Sorted keys, no spaces, UTF-8, one newline at the end. What is read here is taken apart and not
believed: `verify` says whether it may be.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from verifier.errors import SealError
from verifier.seal import jws, strict_json
from verifier.seal.record import Disclosed, Disclosure, Record, Sha256

LARGEST_FILE = strict_json.LARGEST
"""Bytes of one sealed record, and of one report."""
_HASH = re.compile(r"[0-9a-f]{64}")
_SALT = re.compile(r"[0-9a-f]{32}")

CompactJws = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]+\.[A-Za-z0-9_-]*\.[A-Za-z0-9_-]{86}$")]


class NotSealedRecord(SealError):
    """The bytes are not what a sealed record looks like."""


class Receipt(BaseModel):
    """The ledger's answer: where the record stands, and the signed tree head that includes it."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)

    index: int = Field(ge=0)
    """Number of the record in the ledger, from 0."""
    size: int = Field(ge=1)
    """Records in the ledger under the head."""
    path: tuple[Sha256, ...]
    """Inclusion proof (RFC 9162, 2.1.3), from the leaf up. The leaf is SHA-256(0x00 ‖ the record's JWS)."""
    head: CompactJws
    """Signed tree head: JWS over `root` (64 hex characters) and `size`."""


class SealedFile(BaseModel):
    """A record with its seal, its receipt, and the personal values that this copy discloses."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)

    record: CompactJws
    """JWS over the record's bytes (Ed25519, typ verifier-record+jws)."""
    receipt: Receipt
    disclosed: dict[Sha256, Disclosure]
    """Digest of a personal field to its salt and value; a copy may leave out any of them."""


@dataclass(frozen=True)
class Envelope:
    """A sealed record's parts, their form checked and nothing verified."""

    record: str
    receipt: Receipt
    disclosed: Disclosed

    def to_bytes(self) -> bytes:
        value = {
            "record": self.record,
            "receipt": self.receipt.model_dump(mode="json"),
            "disclosed": {digest: d.model_dump() for digest, d in self.disclosed.items()},
        }
        return strict_json.dumps(value, what="the sealed record") + b"\n"

    @property
    def digest(self) -> str:
        """SHA-256 of the record's JWS: the same in every copy, whatever it withholds."""
        return sha256(self.record.encode("ascii")).hexdigest()


@dataclass(frozen=True)
class Sealed:
    """A sealed record, read for showing. Its seal has not been verified by reading it."""

    raw: bytes
    """The file's bytes."""
    envelope: Envelope
    record: Record

    @property
    def disclosed(self) -> Disclosed:
        return self.envelope.disclosed

    @property
    def receipt(self) -> Receipt:
        return self.envelope.receipt

    @property
    def digest(self) -> str:
        """SHA-256 of the record's JWS: the same in every copy, whatever it withholds."""
        return self.envelope.digest

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of this file's bytes."""
        return sha256(self.raw).hexdigest()

    @property
    def personal(self) -> frozenset[str]:
        """Digests of all personal fields in the record."""
        return personal_digests(self.payload)

    @cached_property
    def payload(self) -> bytes:
        """The record's bytes as they were signed."""
        return jws.take_apart(self.envelope.record, jws.Typ.RECORD).payload

    def withhold(self, keep: Collection[str] = ()) -> bytes:
        """A copy of the file that discloses only the digests in `keep`. Its seal is as good as this one's."""
        kept = {digest: d for digest, d in self.disclosed.items() if digest in keep}
        return Envelope(self.envelope.record, self.envelope.receipt, kept).to_bytes()


def parse(data: bytes) -> Envelope:
    """The parts of a sealed record that is exactly as it would be written; raises `NotSealedRecord`."""
    # Not read strictly: a document that any of the strict rules refuses is never what is written here.
    from pydantic_core import from_json, to_json

    try:
        if len(data) > LARGEST_FILE:
            raise NotSealedRecord(f"the sealed record is {len(data)} bytes long; at most {LARGEST_FILE} are read")
        value = from_json(data)
        envelope = _parts(value)
        if to_json(value) + b"\n" != data or not _in_order(value):
            raise NotSealedRecord("the file is not laid out as a sealed record is written")
    except (ValueError, RecursionError, strict_json.NotStrict) as error:
        raise NotSealedRecord(f"the sealed record is no strict JSON: {error}") from error
    return envelope


def _in_order(value: dict[str, Any]) -> bool:
    objects = (value, value["receipt"], value["disclosed"], *value["disclosed"].values())
    return all(list(names) == sorted(names) for names in objects)


def parse_loosely(data: bytes) -> Envelope:
    """As `parse`, whatever the spacing and the order of members. Only to tell damage from alteration."""
    try:
        value = strict_json.loads(data, what="the sealed record", largest=LARGEST_FILE)
    except strict_json.NotStrict as error:
        raise NotSealedRecord(error.what) from error
    return _parts(value)


def _parts(value: Any) -> Envelope:
    fields = _members(value, {"record", "receipt", "disclosed"}, "the sealed record")
    receipt = _members(fields["receipt"], {"head", "index", "path", "size"}, "the receipt")
    path = receipt["path"]
    if not isinstance(path, list) or len(path) > 64 or not all(is_hash(step) for step in path):
        raise NotSealedRecord("the receipt's path is no list of hashes")
    for number in (receipt["index"], receipt["size"]):
        if type(number) is not int or abs(number) > strict_json.LARGEST_INTEGER:
            raise NotSealedRecord("the receipt's index and size are no integers up to 2^53")
    if (
        not isinstance(fields["record"], str)
        or not isinstance(receipt["head"], str)
        or not fields["record"].isascii()
    ):
        raise NotSealedRecord("the record or the receipt's head is no text")
    if not isinstance(fields["disclosed"], dict):
        raise NotSealedRecord("what is disclosed has the wrong form")
    disclosed = {digest: _disclosure(digest, entry) for digest, entry in fields["disclosed"].items()}
    whole = Receipt.model_construct(
        head=receipt["head"], index=receipt["index"], path=tuple(path), size=receipt["size"]
    )
    return Envelope(fields["record"], whole, disclosed)


def open_sealed(data: bytes) -> Sealed:
    """Read a sealed record to show it. Verifies no signature: that is `check_sealed`'s work.

    Raises `NotSealedRecord` where the file or the record in it has the wrong form.
    """
    envelope = parse(data)
    try:
        payload = jws.take_apart(envelope.record, jws.Typ.RECORD).payload
        record = Record.model_validate(strict_json.loads(payload, what="the record"))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(step) for step in first["loc"])
        raise NotSealedRecord(
            f"the record in it is not one that this version reads: {place}: {first['msg']}",
            to_do="Use the version that sealed it, or a later one.",
        ) from error
    except SealError as error:
        raise NotSealedRecord(f"the record in it cannot be read: {error.what}") from error
    return Sealed(data, envelope, record)


_PERSONAL = re.compile(rb'\{"sha256":"([0-9a-f]{64})"\}')


def personal_digests(payload: bytes) -> frozenset[str]:
    """Digests of the personal fields in a record's bytes.

    A personal field is an object with the one member sha256. Looked for in the bytes, because they are
    laid out in one way only and a text cannot hold a quotation mark that is not escaped.
    """
    return frozenset(found.decode("ascii") for found in _PERSONAL.findall(payload))


def _members(value: Any, expected: set[str], what: str) -> dict[str, Any]:
    if not isinstance(value, dict) or value.keys() != expected:
        raise NotSealedRecord(f"{what} does not hold exactly {', '.join(sorted(expected))}")
    return value


def _disclosure(digest: str, entry: Any) -> Disclosure:
    fields = _members(entry, {"salt", "value"}, "a disclosed field")
    salt, value = fields["salt"], fields["value"]
    if not is_hash(digest) or not isinstance(salt, str) or not _SALT.fullmatch(salt) or not isinstance(value, str):
        raise NotSealedRecord("a disclosed field is not digest, salt and value")
    return Disclosure.model_construct(salt=salt, value=value)


def is_hash(value: Any) -> bool:
    """64 lower-case hex characters; `bytes.fromhex` would take both cases and spaces."""
    return isinstance(value, str) and _HASH.fullmatch(value) is not None
