"""Adds keys to a station's trust list: from a file or a key as text -> the list's new bytes."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from verifier.errors import InputError, SealError
from verifier.seal import jws, keys, strict_json
from verifier.seal.durable import read_bounded
from verifier.seal.trust import TrustedKey, TrustList

_LARGEST = 1_000_000


def keys_in(source: str, *, name: str | None = None, roles: Sequence[str] = ()) -> list[TrustedKey]:
    """The keys in a file or a text: a JWK set or one JWK. Raises `InputError` for whatever is not understood.

    `roles` narrows what a key says of itself, or says it where the key does not; `name` replaces its name.
    """
    if source.lstrip().startswith("{"):
        data, where = source.encode("utf-8", "replace"), "the key given"
    else:
        where = source
        try:
            data = read_bounded(Path(source), _LARGEST)
        except (OSError, ValueError) as error:
            raise InputError(
                f"the file cannot be read: {getattr(error, 'strerror', None) or error}",
                where=where,
                to_do="Name a file made by `verifier keys export > FILE`, or give one key as JSON.",
            ) from error
    try:
        value = strict_json.loads(data, what="the file", largest=_LARGEST)
    except SealError as error:
        raise InputError(
            error.what, where=where, to_do="It is a JWK set as `verifier keys export` prints it."
        ) from error
    if isinstance(value, dict) and "keys" not in value:
        value = {"keys": [_completed(value, roles)]}
    found = list(TrustList.parse(strict_json.dumps(value), where=where).values())
    return [_narrowed(key, name, roles, where) for key in found]


def _completed(jwk: dict[str, Any], roles: Sequence[str]) -> dict[str, Any]:
    """A key that another program wrote says neither thumbprint nor roles."""
    whole = dict(jwk)
    if "roles" not in whole and roles:
        whole["roles"] = list(roles)
    if "kid" not in whole and isinstance(whole.get("x"), str):
        smallest = strict_json.dumps({"crv": "Ed25519", "kty": "OKP", "x": whole["x"]})
        whole["kid"] = keys.thumbprint_of(smallest)
    return whole


def _narrowed(key: TrustedKey, name: str | None, roles: Sequence[str], where: str) -> TrustedKey:
    if roles and not key.roles & set(roles):
        raise InputError(
            f"the key {key.thumbprint} is for {', '.join(sorted(key.roles))}, not for {', '.join(roles)}",
            where=where,
            to_do="Trust it in its own role.",
        )
    return replace(key, name=name or key.name, roles=key.roles & set(roles) if roles else key.roles)


def add(path: Path, new: Sequence[TrustedKey]) -> bytes:
    """The trust list in `path` with the new keys, as it is to be written. Raises `InputError`."""
    trusted = dict(TrustList.load(path)) if path.is_file() else {}
    for key in new:
        before = trusted.get(key.thumbprint)
        trusted[key.thumbprint] = replace(key, retired=(before.retired if before else None) or key.retired)
    text = json.dumps({"keys": [_jwk(key) for key in trusted.values()]}, indent=2, ensure_ascii=False)
    return text.encode("utf-8") + b"\n"


def _jwk(key: TrustedKey) -> dict[str, Any]:
    jwk: dict[str, Any] = {
        "kty": "OKP",
        "crv": "Ed25519",
        "x": jws.b64u(key.public.public_bytes_raw()),
        "kid": key.thumbprint,
        "use": "sig",
        "alg": jws.ALG,
        "roles": sorted(key.roles),
    }
    if key.name:
        jwk["name"] = key.name
    if key.retired:
        jwk["retired"] = {"size": key.retired.size, "root": key.retired.root}
    return jwk
