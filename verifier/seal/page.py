"""The page's own seal: over every byte that a person reads, and over which record it was made from.

A sealed page is

    front ‖ <pre hidden id="page-seal"> ‖ JWS ‖ tail

The front is the page from its first byte on, with the sealed record in it (`embed`), and without the
tags that close body and document: those are the tail, which is fixed. No HTML parser is involved, so
there is nothing on which two parsers could differ. The payload names length and SHA-256 of the front,
SHA-256 of the sealed record, and the renderer.

Rules, beside those of `verify`:

13. Each of the two opening marks stands in the file exactly once, as bytes.
14. The file ends with exactly the tail.
15. The payload holds exactly the front's length and digest, the record's digest and the renderer; all agree.
16. The embedded record is deflated within its bounds, nothing follows it, and it verifies by itself.
17. Page and record are sealed by trusted keys of the same role.
18. Amendments that the page carries stand in one element of their own at most, and each is held against the
    rules by itself before it counts (`amending.counted`).
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from hashlib import sha256

from verifier.errors import SealError
from verifier.seal import envelope as envelopes
from verifier.seal import jws, strict_json
from verifier.seal.keys import SigningKey
from verifier.seal.trust import TrustedKey, TrustList
from verifier.seal.verify import Checked, Part, Proofs, Refused, Status, check_sealed, restored, verify_signature

LARGEST_PAGE = envelopes.LARGEST_FILE
_RECORD_OPEN = b'<pre hidden id="sealed-record">'
_AMENDMENTS_OPEN = b'<pre hidden id="sealed-amendments">'
_SEAL_OPEN = b'<pre hidden id="page-seal">'
_CLOSE = b"</pre>"
_SEAL_TEXT = re.compile(rb"[A-Za-z0-9_.-]*")
TAIL = b"</pre>\n</body>\n</html>\n"
"""How every sealed page ends; a template leaves it out."""


def embed(sealed: bytes, amendments: Sequence[bytes] = ()) -> str:
    """The element that carries the sealed record within the page: deflated (RFC 1950), then base64url.

    Sealed amendments, where there are any, follow in one element of their own, one a line.
    """
    element = f"{_RECORD_OPEN.decode()}{jws.b64u(zlib.compress(sealed, 9))}{_CLOSE.decode()}"
    if not amendments:
        return element
    lines = jws.b64u(zlib.compress(b"".join(amendments), 9))
    return f"{element}\n{_AMENDMENTS_OPEN.decode()}{lines}{_CLOSE.decode()}"


def seal_page(front: bytes, sealed: bytes, key: SigningKey, renderer: str) -> bytes:
    """The whole page, sealed. Raises `SealError` where the front could not be audited afterwards.

    `front` holds `embed(sealed)` once and ends before `</body>`. `renderer` names program, version and templates.
    """
    if front.count(_RECORD_OPEN) != 1 or _SEAL_OPEN in front:
        raise SealError("the page does not hold its record exactly once, or has a seal already")
    if _embedded(front) != sealed:
        raise SealError("the record in the page is not the one that it is to be sealed with")
    role = envelopes.open_sealed(sealed).record.role
    if role != key.role:
        raise SealError(f"the report of a record of role {role} cannot be sealed with the key for {key.role}")
    payload = {
        "length": len(front),
        "record": sha256(sealed).hexdigest(),
        "renderer": renderer,
        "sha256": sha256(front).hexdigest(),
    }
    seal = key.sign(strict_json.dumps(payload), jws.Typ.PAGE)
    page = b"".join((front, _SEAL_OPEN, seal.encode("ascii"), TAIL))
    if len(page) > LARGEST_PAGE:
        raise SealError(f"the page is {len(page)} bytes long; at most {LARGEST_PAGE} can be sealed")
    return page


@dataclass(frozen=True, slots=True)
class CheckedPage:
    """What verification found in one report: its page, and the sealed record within it."""

    page: Part
    sealed: bytes | None = None
    """The embedded sealed record, wherever it could be taken out; see `record` for whether it verifies."""
    record: Checked | None = None
    renderer: str = ""
    amendments: tuple[bytes, ...] = ()
    """Those that the page carries, not verified; only where the page itself is unaltered."""


def looks_like_page(data: bytes) -> bool:
    return b'id="page-seal"' in data or b'id="sealed-record"' in data


def check_page(data: bytes, trust: TrustList, proofs: Proofs | None = None) -> CheckedPage:
    """Hold a report's bytes against every rule. Raises nothing for whatever `data` holds."""
    checked = _checked(data, trust, proofs)
    if checked.page.status in {Status.UNALTERED, Status.UNKNOWN_SIGNER, Status.RETIRED_KEY}:
        return checked
    damage = _damage(data, trust)
    return replace(checked, page=damage) if damage else checked


def _checked(data: bytes, trust: TrustList, proofs: Proofs | None = None) -> CheckedPage:
    sealed: bytes | None = None
    record: Checked | None = None
    try:
        if len(data) > LARGEST_PAGE:
            raise Refused(f"the page is longer than {LARGEST_PAGE} bytes")
        sealed = _embedded(data)
        record = check_sealed(sealed, trust, proofs=proofs)
        key, renderer = _check(data, sealed, trust)
        _same_role(key, record)
        amendments = _amendments(data)
    except SealError as error:
        status = error.status if isinstance(error, Refused) else Status.ALTERED
        return CheckedPage(Part("page", status, error.what), sealed, record)
    return CheckedPage(Part("page", Status.UNALTERED), sealed, record, renderer, amendments)


def _check(data: bytes, sealed: bytes, trust: TrustList) -> tuple[TrustedKey, str]:
    """Rules 13 to 15."""
    if data.count(_RECORD_OPEN) != 1 or data.count(_SEAL_OPEN) != 1:
        raise Refused("the page does not hold one sealed record and one seal")
    if not data.endswith(TAIL):
        raise Refused("the page does not end as a sealed page ends")
    front, _, rest = data.partition(_SEAL_OPEN)
    seal = rest.removesuffix(TAIL)
    if not seal.isascii():
        raise Refused("the page's seal is not a signed text")
    key, payload = verify_signature(seal.decode("ascii"), jws.Typ.PAGE, trust)
    match strict_json.loads(payload, what="the page's seal", largest=10_000):
        case {"length": int(), "record": str(), "renderer": str() as renderer, "sha256": str(), **rest_} as named:
            if rest_:
                raise Refused("the page's seal holds more than it may")
        case _:
            raise Refused("the page's seal does not say what it is over")
    if named["length"] != len(front) or named["sha256"] != sha256(front).hexdigest():
        raise Refused("what the page shows is not what was sealed")
    if named["record"] != sha256(sealed).hexdigest():
        raise Refused("the page was sealed for another record than the one in it")
    return key, renderer


def _same_role(key: TrustedKey, record: Checked) -> None:
    """Rule 17. Where the record itself fails, its own parts say so."""
    if record.signer and record.signer.role not in key.roles:
        raise Refused(
            f"the page is sealed by a key that may seal only as {', '.join(sorted(key.roles))}; "
            f"the record's origin is {record.signer.role}",
            status=Status.WRONG_ROLE,
        )
    if key.retired:
        raise Refused(
            "the page's signature is good, but its key has been retired since and nothing shows that the page is "
            "older; render it again from the record",
            status=Status.RETIRED_KEY,
        )


def _embedded(page: bytes) -> bytes:
    """The sealed record within a page. Raises `Refused`."""
    return _inflated(page, _RECORD_OPEN, "the sealed record")


def _amendments(page: bytes) -> tuple[bytes, ...]:
    """Rule 18: the sealed amendments within a page. Raises `Refused`."""
    if page.count(_AMENDMENTS_OPEN) > 1:
        raise Refused("the page holds its amendments more than once")
    if _AMENDMENTS_OPEN not in page:
        return ()
    return tuple(_inflated(page, _AMENDMENTS_OPEN, "the amendments").splitlines(keepends=True))


def _inflated(page: bytes, opening: bytes, what: str) -> bytes:
    _, mark, rest = page.partition(opening)
    text, close, _ = rest.partition(_CLOSE)
    if not mark:
        raise Refused(f"{what}: there is none in the page")
    if not close:
        raise Refused(f"{what} in the page: cut off")
    if not text.isascii():
        raise Refused(f"{what} in the page: not base64url")
    inflater = zlib.decompressobj()
    try:
        data = inflater.decompress(jws.unb64u(text.decode("ascii")), envelopes.LARGEST_FILE)
    except zlib.error as error:
        raise Refused(f"{what} in the page: cannot be inflated") from error
    if not inflater.eof or inflater.unused_data or inflater.unconsumed_tail:
        raise Refused(f"{what} in the page: cut off, too long, or followed by something else")
    return data


def _damage(data: bytes, trust: TrustList) -> Part | None:
    """Is it only the transfer? Never called unaltered: what a person reads may differ from what was sealed."""
    front, mark, rest = data.partition(_SEAL_OPEN)
    seal, end = _split_seal(rest)
    cut = [b"".join((front, mark, seal, TAIL))] if mark and TAIL.startswith(end) else []
    for candidate in (*restored(data), *cut):
        if _checked(candidate, trust).page.status is Status.UNALTERED:
            return Part(
                "page",
                Status.DAMAGED,
                "it verifies once line ends and the end of the file are put back: damaged in transfer, or saved "
                "by an editor; get the original file again",
            )
    if (mark and not end and seal.count(b".") <= 2) or (
        not mark and _RECORD_OPEN in data and b"</html" not in data
    ):
        return Part(
            "page",
            Status.DAMAGED,
            "its end is missing, as after a broken transfer, and what is left cannot be verified",
        )
    return None


def _split_seal(rest: bytes) -> tuple[bytes, bytes]:
    """The signed text at the beginning of `rest`, and what follows it."""
    found = _SEAL_TEXT.match(rest)
    return (found[0], rest[found.end() :]) if found else (b"", rest)
