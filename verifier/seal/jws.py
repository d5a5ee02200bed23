"""Compact JWS (RFC 7515) with Ed25519 (RFC 8037, RFC 9864), narrower than those documents allow.

Bytes are signed as they are stored, never an object written again. What a signature is for stands
in its `typ`, so that a signed head can never be shown as a signed record. The rules that are
enforced here are numbers 1 and 3 to 5 of the list in `verify`.
"""

from __future__ import annotations

import base64
import binascii
import re
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from verifier.errors import SealError
from verifier.seal import strict_json

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

ALG = "Ed25519"
LONGEST = 40_000_000
"""Characters of one JWS; more are refused before anything is decoded."""
_LONGEST_HEADER = 1000
_THUMBPRINT = re.compile(r"[A-Za-z0-9_-]{43}")
_TO_BASE64 = bytes.maketrans(b"-_+/=", b"+/???")
"""From the alphabet of RFC 4648, 5, to that of section 4, which decodes faster; + and / themselves are foreign."""


class Typ(StrEnum):
    """What a signature is for. A signature of one kind is refused wherever another is expected."""

    RECORD = "verifier-record+jws"
    HEAD = "verifier-head+jws"
    PAGE = "verifier-page+jws"
    APPROVAL = "verifier-suite-approval+jws"
    JOURNAL = "verifier-journal+jws"
    KEY_LIST = "verifier-key-list+jws"
    AMENDMENT = "verifier-amendment+jws"


class NotJws(SealError):
    """Not a JWS of the one form that is accepted here."""


class BadSignature(SealError):
    """The signature does not belong to these bytes and this key."""


@dataclass(frozen=True, slots=True)
class Signed:
    """A JWS taken apart. Nothing in it is to be believed before `verify` has passed."""

    kid: str
    typ: Typ
    payload: bytes
    signature: bytes
    signing_input: bytes

    def verify(self, key: Ed25519PublicKey) -> bytes:
        """The payload; raises `BadSignature`."""
        from cryptography.exceptions import InvalidSignature

        try:
            key.verify(self.signature, self.signing_input)
        except InvalidSignature as error:
            raise BadSignature("the signature does not match") from error
        return self.payload


def sign(payload: bytes, *, key: Ed25519PrivateKey, kid: str, typ: Typ) -> str:
    header = strict_json.dumps({"alg": ALG, "kid": kid, "typ": typ.value})
    signing_input = f"{b64u(header)}.{b64u(payload)}"
    return f"{signing_input}.{b64u(key.sign(signing_input.encode('ascii')))}"


def take_apart(text: str, typ: Typ, *others: Typ) -> Signed:
    """The parts of a compact JWS, its form and header checked; raises `NotJws`. Verifies no signature.

    Taken is what was signed for `typ`, or for one of `others`; which of them, the result says.
    """
    if len(text) > LONGEST:
        raise NotJws(f"the signed text is {len(text)} characters long; at most {LONGEST} are read")
    parts = text.split(".", 3)
    if len(parts) != 3:
        raise NotJws("a signed text has three parts with a dot between them")
    header_part, payload_part, signature_part = parts
    if len(header_part) > _LONGEST_HEADER:
        raise NotJws("the header is too long")
    named, kid = _header(header_part)
    found = next((kind for kind in (typ, *others) if named == kind.value), None)
    if found is None:
        raise NotJws(f"the header's typ is not {typ.value}: this was signed for another purpose")
    signature = unb64u(signature_part)
    if len(signature) != 64:
        raise NotJws("an Ed25519 signature is 64 bytes long")
    payload = unb64u(payload_part)
    return Signed(kid, found, payload, signature, text[: -len(signature_part) - 1].encode("ascii"))


@lru_cache(maxsize=64)
def _header(part: str) -> tuple[Any, str]:
    """typ and kid of a header of the one form. Kept, since all that a key seals has few headers."""
    header = strict_json.loads(unb64u(part), what="the header")
    if not isinstance(header, dict) or header.keys() != {"alg", "kid", "typ"}:
        raise NotJws("the header holds something else than alg, kid and typ")
    if header["alg"] != ALG:
        raise NotJws(f"the header's alg is not {ALG}")
    kid = header["kid"]
    if not isinstance(kid, str) or not _THUMBPRINT.fullmatch(kid):
        raise NotJws("the header's kid is no key thumbprint")
    return header["typ"], kid


def b64u(data: bytes) -> str:
    """base64url without padding (RFC 7515, 2)."""
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode("ascii")


def unb64u(text: str) -> bytes:
    """The bytes behind `text`, which must be exactly how those bytes are written; raises `NotJws`.

    Decoders drop foreign characters and take 16 spellings of the last one. So foreign ones are refused, and the
    way back is compared for the last group of four: no other group has two spellings.
    """
    try:
        written = text.encode("ascii")
        plain = written.translate(_TO_BASE64) + b"=" * (-len(written) % 4)
        data = binascii.a2b_base64(plain, strict_mode=True)
    except (binascii.Error, ValueError) as error:
        raise NotJws("a part is not base64url") from error
    last = -(-len(data) // 3) * 3 - 3
    if len(data) != len(written) * 3 // 4 or (data and b64u(data[last:]) != text[last // 3 * 4 :]):
        raise NotJws("a part is not written as base64url writes it")
    return data
