"""Personal values stand in a record as salted digests; what is behind them is kept beside it.

A copy without the salt shows nothing of the value, not even to somebody who guesses it, and the seal
stays intact (the idea of RFC 9901).
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from hashlib import sha256

from verifier.seal.record import Disclosed, Disclosure, Personal

SALT_BYTES = 16


def personal_digest(salt: bytes, value: str) -> str:
    """SHA-256 over the salt's bytes followed by the value's UTF-8 bytes, as 64 hex characters."""
    return sha256(salt + value.encode("utf-8")).hexdigest()


class PersonalFields:
    """Collects the personal values of one record.

    One value gets one salt within a record, so that a copy that withholds the names still tells
    whether one person answered or two. Across records the digests of one person have nothing in common.
    """

    def __init__(self, random: Callable[[int], bytes] = secrets.token_bytes) -> None:
        self._random = random
        self._digests: dict[str, str] = {}
        self._disclosed: Disclosed = {}

    def add(self, value: str) -> Personal:
        """The digest to put into the record. Bytes that are no text (typed in a wrong encoding) become "?"."""
        text = value.encode("utf-8", "replace").decode("utf-8")
        if text not in self._digests:
            salt = self._random(SALT_BYTES)
            digest = personal_digest(salt, text)
            self._digests[text] = digest
            self._disclosed[digest] = Disclosure(salt=salt.hex(), value=text)
        return Personal(sha256=self._digests[text])

    @property
    def disclosed(self) -> Disclosed:
        return dict(self._disclosed)
