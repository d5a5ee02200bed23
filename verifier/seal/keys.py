"""The keys of one station: made on first use, one file a role, readable by their owner alone.

`station` seals what this bench saw of a unit, `self` what a computer says of itself, `simulated`
what never was a real unit. A role has its own key, so that no mistake in a record can turn
simulated evidence into real.
"""

from __future__ import annotations

import fcntl
import os
import stat
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from verifier.errors import SealError
from verifier.readings import Role
from verifier.seal import jws, strict_json
from verifier.seal.durable import make_folder, read_bounded, told, write_durably

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

ROLES: tuple[Role, ...] = get_args(Role)
_LONGEST_KEY_FILE = 10_000
_LONGEST_RETIRED = 1_000_000


@dataclass(frozen=True)
class SigningKey:
    """A private key with the role it seals under."""

    role: Role
    private: Ed25519PrivateKey
    file: Path | None = None
    """Where it was read."""

    def refuse_replaced(self) -> None:
        """Raises `SealError` where its file holds another key by now, because it was retired meanwhile."""
        if self.file is None:
            return
        now = load(self.file.parent, self.role)
        if now is None or now.thumbprint != self.thumbprint:
            raise SealError(
                f"the key {self.thumbprint} was retired or replaced meanwhile",
                where=str(self.file),
                to_do="Start again: it is then sealed with the new key.",
            )

    @cached_property
    def thumbprint(self) -> str:
        """RFC 7638 thumbprint of the public half: the key's name everywhere."""
        return thumbprint(self.public)

    @property
    def public(self) -> Ed25519PublicKey:
        return self.private.public_key()

    def sign(self, payload: bytes, typ: jws.Typ) -> str:
        """A compact JWS over exactly these bytes."""
        return jws.sign(payload, key=self.private, kid=self.thumbprint, typ=typ)

    def public_jwk(self, name: str = "") -> dict[str, Any]:
        """The public half with its roles, as a trust list takes it; `name` is the station's."""
        jwk: dict[str, Any] = {
            "kty": "OKP",
            "crv": "Ed25519",
            "x": _x(self.public),
            "kid": self.thumbprint,
            "use": "sig",
            "alg": jws.ALG,
            "roles": [self.role],
        }
        return jwk | {"name": name} if name else jwk


def thumbprint(key: Ed25519PublicKey) -> str:
    """RFC 7638, 3 with the members that RFC 8037, 2 names: base64url of SHA-256 over the smallest JWK."""
    return thumbprint_of(strict_json.dumps({"crv": "Ed25519", "kty": "OKP", "x": _x(key)}))


def thumbprint_of(smallest: bytes) -> str:
    """RFC 7638, 3: of the smallest JWK as it is hashed."""
    return jws.b64u(sha256(smallest).digest())


def fingerprint(thumbprint: str) -> str:
    """A thumbprint in groups of four, for people who compare it by eye or read it out."""
    return " ".join(thumbprint[i : i + 4] for i in range(0, len(thumbprint), 4))


def key_set(keys: list[SigningKey], name: str = "") -> dict[str, Any]:
    """A JWK set (RFC 7517, 5) of public keys."""
    return {"keys": [key.public_jwk(name) for key in keys]}


def load_or_create(keys_dir: Path, role: Role) -> tuple[SigningKey, bool]:
    """The station's key for a role, and whether it was made just now. Raises `SealError`.

    Two processes that ask at once get the same key: the folder is locked while one is made.
    """
    with told("the key cannot be read or made", keys_dir, "Check who owns the folder and whether it is full."):
        make_folder(keys_dir)
        folder = os.open(keys_dir, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            fcntl.flock(folder, fcntl.LOCK_EX)
            if stat.S_IMODE(os.fstat(folder).st_mode) & 0o022:
                raise SealError(
                    "others may write to the folder of the keys, and so replace a key",
                    where=str(keys_dir),
                    to_do=f"Run: chmod 700 {keys_dir}",
                )
            found = load(keys_dir, role)
            if found:
                return found, False
            # A retirement that was cut off left its file behind; `load` passes it over, writing replaces it.
            key = _new(role)
            write_durably(keys_dir / f"{role}.pem", _pem(key), mode=0o600)
            # What was written is read back before anything is sealed with it.
            return load(keys_dir, role) or key, True
        finally:
            os.close(folder)


def load(keys_dir: Path, role: Role) -> SigningKey | None:
    """The key of a role; None where none was made yet. Creates nothing; raises `SealError`."""
    path = keys_dir / f"{role}.pem"
    with told("the key cannot be read", path, "The key belongs to another account: run this as that one."):
        try:
            mode = path.stat().st_mode
        except FileNotFoundError:
            return None
        if stat.S_IMODE(mode) & 0o077:
            raise SealError(
                "others may read this private key, so a seal by it proves nothing",
                where=str(path),
                to_do=f"If nobody else had access run: chmod 600 {path}. Else move it away; a new one is made.",
            )
        data = read_bounded(path, _LONGEST_KEY_FILE)
    key = SigningKey(role, _parse(data, path), path)
    return None if key.thumbprint in retired_thumbprints(keys_dir) else key


def retired_file(keys_dir: Path) -> Path:
    """Public halves of the station's retired keys, a trust list."""
    return keys_dir / "retired.json"


def retired_entries(keys_dir: Path) -> list[dict[str, Any]]:
    """The JWKs of retired keys as they stand in the file; raises `SealError`. `trust` reads what they say."""
    path = retired_file(keys_dir)
    with told("the list of retired keys cannot be read", path):
        try:
            data = read_bounded(path, _LONGEST_RETIRED)
        except FileNotFoundError:
            return []
    try:
        entries = strict_json.loads(data, what="the list of retired keys", largest=_LONGEST_RETIRED)["keys"]
        return [dict(entry) for entry in entries]
    except (SealError, KeyError, TypeError, ValueError) as error:
        raise SealError(
            "the list of retired keys cannot be read",
            where=str(path),
            to_do="Restore it from a backup: without it a retired key would count as good.",
        ) from error


def retired_thumbprints(keys_dir: Path) -> frozenset[str]:
    return frozenset(str(entry.get("kid")) for entry in retired_entries(keys_dir))


def load_all(keys_dir: Path) -> list[SigningKey]:
    """Every key that the station has, by role. Creates nothing; raises `SealError`."""
    return [key for role in ROLES if (key := load(keys_dir, role))]


def _new(role: Role) -> SigningKey:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    return SigningKey(role, Ed25519PrivateKey.generate())


def _pem(key: SigningKey) -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    return key.private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def _parse(data: bytes, path: Path) -> Ed25519PrivateKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(data, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        key = error  # type: ignore[assignment]
    if not isinstance(key, Ed25519PrivateKey):
        raise SealError(
            "this is no Ed25519 private key (PKCS#8, PEM, without a password)",
            where=str(path),
            to_do="Restore it from a backup; or move it away, and a new key is made at the next seal.",
        )
    return key


def _x(key: Ed25519PublicKey) -> str:
    return jws.b64u(key.public_bytes_raw())
