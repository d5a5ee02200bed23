"""Whom an audit believes: public keys by thumbprint, each with its roles. Nothing else gives a key.

A trust file is a JWK set (RFC 7517) as `verifier keys export` prints it. Because a mistyped member
could make a retired key count as good, members that are not known here are refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from verifier.errors import InputError, SealError
from verifier.readings import Role
from verifier.seal import jws, keys, strict_json
from verifier.seal.durable import read_bounded

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

TRUST_ROLES: frozenset[str] = frozenset({*get_args(Role), "approver"})
_LARGEST_FILE = 1_000_000
_MEMBERS = {"kty", "crv", "x", "kid", "use", "alg", "key_ops", "roles", "name", "retired"}
_HASH = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Retired:
    """The ledger when the key was retired: only records proved to stand under this root are older."""

    size: int
    root: str


@dataclass(frozen=True, slots=True)
class TrustedKey:
    thumbprint: str
    public: Ed25519PublicKey
    roles: frozenset[str]
    name: str = ""
    """The station's name as the trust list's author knows it; empty where the list says none."""
    retired: Retired | None = None
    own: bool = False
    """Whether it is of the station that asks. No trust list can say so."""


class TrustList(Mapping[str, TrustedKey]):
    """Trusted keys by RFC 7638 thumbprint."""

    def __init__(self, trusted: Iterable[TrustedKey] = ()) -> None:
        self._keys = {key.thumbprint: key for key in trusted}

    def __getitem__(self, thumbprint: str) -> TrustedKey:
        return self._keys[thumbprint]

    def __iter__(self) -> Any:
        return iter(self._keys)

    def __len__(self) -> int:
        return len(self._keys)

    def also(self, other: TrustList) -> TrustList:
        """Both lists. Where both name a key, only the roles that both give it count, and retired is retired."""
        merged = dict(self._keys)
        for thumbprint, key in other.items():
            mine = merged.get(thumbprint)
            merged[thumbprint] = (
                replace(
                    mine,
                    roles=mine.roles & key.roles,
                    name=mine.name or key.name,
                    retired=mine.retired or key.retired,
                )
                if mine
                else key
            )
        return TrustList(merged.values())

    @classmethod
    def of(cls, own: Iterable[keys.SigningKey], name: str = "") -> TrustList:
        """A station's own keys."""
        return cls(TrustedKey(key.thumbprint, key.public, frozenset({key.role}), name) for key in own)

    @classmethod
    def load(cls, path: Path) -> TrustList:
        """A trust file. Raises `InputError` for anything in it that is not understood."""
        try:
            data = read_bounded(path, _LARGEST_FILE)
        except OSError as error:
            raise InputError(
                f"the trust file cannot be read: {error.strerror or error}",
                where=str(path),
                to_do="Name a file made by `verifier keys export > trust.json`.",
            ) from error
        return cls.parse(data, where=str(path))

    @classmethod
    def parse(cls, data: bytes, *, where: str = "trust list") -> TrustList:
        try:
            value = strict_json.loads(data, what="the trust list", largest=_LARGEST_FILE)
            entries = _entries(value)
            trusted = [_trusted(entry, f"keys[{number}]") for number, entry in enumerate(entries)]
            if len({key.thumbprint for key in trusted}) != len(trusted):
                raise _Malformed("a key stands in it twice")
        except (_Malformed, strict_json.NotStrict) as error:
            raise InputError(
                f"this trust list cannot be used: {error}",
                where=where,
                to_do="It is a JWK set as `verifier keys export` prints it.",
            ) from error
        return cls(trusted)


class _Malformed(SealError):
    pass


def _entries(value: Any) -> list[Any]:
    if not isinstance(value, dict) or value.keys() != {"keys"} or not isinstance(value["keys"], list):
        raise _Malformed('it is no object with one member "keys" that is a list')
    if not value["keys"]:
        raise _Malformed("there is no key in it")
    return value["keys"]


def _trusted(entry: Any, place: str) -> TrustedKey:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    if not isinstance(entry, dict):
        raise _Malformed(f"{place} is no object")
    if "d" in entry:
        raise _Malformed(f"{place} holds a private key, which nobody else may see")
    if unknown := sorted(entry.keys() - _MEMBERS):
        raise _Malformed(f"{place} has an unknown member {unknown[0]!r}")
    fixed = {"kty": "OKP", "crv": "Ed25519", "use": "sig", "alg": jws.ALG, "key_ops": ["verify"]}
    for member, expected in fixed.items():
        if entry.get(member, None if member in {"kty", "crv"} else expected) != expected:
            raise _Malformed(f"{place}.{member} is not {expected!r}")
    try:
        public = Ed25519PublicKey.from_public_bytes(jws.unb64u(_text(entry, "x", place)))
    except (ValueError, SealError) as error:
        raise _Malformed(f"{place}.x is no Ed25519 public key") from error
    computed = keys.thumbprint(public)
    if _text(entry, "kid", place) != computed:
        raise _Malformed(f"{place}.kid is not the thumbprint of its key, which is {computed}")
    roles = entry.get("roles")
    if not isinstance(roles, list) or not roles or not all(isinstance(r, str) and r in TRUST_ROLES for r in roles):
        raise _Malformed(f"{place}.roles is no list of {', '.join(sorted(TRUST_ROLES))}")
    name = _text(entry, "name", place) if "name" in entry else ""
    retired = _retired(entry["retired"], place) if "retired" in entry else None
    return TrustedKey(computed, public, frozenset(roles), name, retired)


def _retired(value: Any, place: str) -> Retired:
    if isinstance(value, dict) and value.keys() == {"size", "root"}:
        size, root = value["size"], value["root"]
        if type(size) is int and size >= 0 and isinstance(root, str) and _HASH.fullmatch(root):
            return Retired(size, root)
    raise _Malformed(f"{place}.retired does not hold the ledger's size and root then")


def _text(entry: dict[str, Any], member: str, place: str) -> str:
    value = entry.get(member)
    if not isinstance(value, str) or len(value) > 200:
        raise _Malformed(f"{place}.{member} is no short text")
    return value


def public_keys(keys_dir: Path) -> list[TrustedKey]:
    """The public halves of a station's own keys, with their roles. Creates nothing; raises `SealError`."""
    return list(TrustList.of(keys.load_all(keys_dir)).values())
