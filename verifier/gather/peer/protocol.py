"""Who may ask a far end, and how both sides know each other.

The threat: a stranger on the bench network, who can connect, listen, replay and send anything, and who may
stand between the two. What the rules below give, and what they do not:

1. *Pairing.* Both send an X25519 share and a nonce. Everything after is keyed with HKDF-SHA256 over the shared
   secret **and** the one-time code. The asking side proves the code first, the far end second. A listener learns
   nothing that the code could be tried against. Who stands between, or plays the far end, gets one value to try
   codes against offline; the code therefore has 80 random bits and is never chosen by a person.
2. A code serves one pairing. After `WRONG_CODES` wrong proofs it is void and a new one is made.
3. *Session.* Challenge and response over the 256-bit key of the pairing: HMAC-SHA256 over both sides' nonces,
   each side under a label of its own, so that nothing can be reflected or replayed. Keys live as long as the
   far end's process; it keeps none on disk.
4. Every later message carries an HMAC over direction, count and body under a key of that session alone.
   Messages are not encrypted: there is nothing secret in how fast a cable is.
5. A data connection shows a token that was told over the session, serves once, and from the same address.
   Datagrams carry a shorter token. Who stands between can disturb or forge the load itself, and so make a sound
   cable look bad; a measurement over a network that an attacker controls proves nothing about the cable anyway.
6. Load goes only to the address of the session that asked for it: a far end cannot be aimed at others.
7. All of it is bounded: message sizes, the time of a whole handshake, connections that have not proved
   themselves (in all, and from one address), wrong proofs from one address, load in seconds and in number.

What it is not: protection against a flood of packets, or against somebody who can read the station's files.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
import socket
import struct
import time
from typing import Any, Literal

from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

VERSION = 1
PORT = 7411
FIRST_LIMIT = 1024
"""Octets of a message from somebody who has not proved who they are."""
LIMIT = 65_536
HANDSHAKE_SECONDS = 5.0
"""For a whole handshake, however slowly it dribbles in."""
WRONG_CODES = 5
CODE_OCTETS = 10
"""80 bits: 16 characters of base32."""
LONGEST_LOAD = 60.0
"""Seconds of one load."""
MOST_DATAGRAMS = 2_000_000
"""Of one load."""
MOST_ECHOES = 10_000

Side = Literal["asking", "far"]
_LENGTH = struct.Struct("!I")


class Refused(Exception):
    """The other side does not keep to the protocol, or did not prove who it is. The sentence is for our side."""


class Line:
    """Length-prefixed JSON objects over a connected socket, each read within a deadline for the whole of it."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self._key: bytes | None = None
        self._ours, self._theirs = b"", b""
        self._sent = self._received = 0
        self._spoken_so_far = hashlib.sha256(b"verifier peer 1")

    @property
    def spoken_so_far(self) -> bytes:
        """Digest of every message so far, in both directions; both sides see the same."""
        return self._spoken_so_far.digest()

    def authenticate(self, key: bytes, side: Side) -> None:
        """From now on every message carries its HMAC under `key`."""
        self._key = key
        self._ours, self._theirs = (b"a", b"f") if side == "asking" else (b"f", b"a")

    def send(self, message: dict[str, Any], *, seconds: float = HANDSHAKE_SECONDS) -> None:
        body = json.dumps(message, separators=(",", ":")).encode()
        self._spoken_so_far.update(_LENGTH.pack(len(body)) + body)
        seal = b""
        if self._key is not None:
            seal = self._seal(self._ours, self._sent, body)
            self._sent += 1
        self.connection.settimeout(seconds)
        self.connection.sendall(_LENGTH.pack(len(body)) + body + seal)

    def receive(self, *, seconds: float) -> dict[str, Any]:
        """Raises Refused for anything that is no message; TimeoutError, and EOFError when the other side left."""
        until = time.monotonic() + seconds
        (length,) = _LENGTH.unpack(self._exactly(_LENGTH.size, until))
        if length > (FIRST_LIMIT if self._key is None else LIMIT):
            raise Refused("a message is too long")
        body = self._exactly(length, until)
        if self._key is not None:
            seal = self._exactly(32, until)
            if not hmac.compare_digest(seal, self._seal(self._theirs, self._received, body)):
                raise Refused("a message was altered on its way")
            self._received += 1
        self._spoken_so_far.update(_LENGTH.pack(length) + body)
        try:
            message = json.loads(body)
        except (ValueError, RecursionError):
            raise Refused("a message is no JSON") from None
        if not isinstance(message, dict):
            raise Refused("a message is no JSON object")
        return message

    def _exactly(self, count: int, until: float) -> bytes:
        data = bytearray()
        while len(data) < count:
            left = until - time.monotonic()
            if left <= 0:
                raise TimeoutError
            self.connection.settimeout(left)
            piece = self.connection.recv(count - len(data))
            if not piece:
                raise EOFError
            data += piece
        return bytes(data)

    def _seal(self, direction: bytes, count: int, body: bytes) -> bytes:
        assert self._key is not None  # noqa: S101 - only called once there is one
        return hmac.digest(self._key, direction + struct.pack("!Q", count) + body, "sha256")


def new_code() -> str:
    """A pairing code as it is shown: four groups of four characters."""
    text = base64.b32encode(secrets.token_bytes(CODE_OCTETS)).decode().lower()
    return "-".join(text[at : at + 4] for at in range(0, len(text), 4))


def code_octets(typed: str) -> bytes:
    """The code behind what was typed, with or without hyphens; ValueError when it is none."""
    plain = "".join(typed.split()).replace("-", "").upper()
    try:
        octets = base64.b32decode(plain)
    except ValueError:  # binascii.Error is one
        octets = b""
    if len(octets) != CODE_OCTETS:
        raise ValueError("a pairing code is four groups of four letters and digits 2 to 7")
    return octets


class Pairing:
    """One side of a pairing, until both shares are known."""

    def __init__(self) -> None:
        self._private = X25519PrivateKey.generate()
        self.share = self._private.public_key().public_bytes_raw().hex()
        self.nonce = secrets.token_hex(32)

    def keys(self, their_share: object, code: bytes, spoken_so_far: bytes) -> dict[str, bytes]:
        """`asking` and `far` prove the code, `key` is what the sessions use; Refused for a share that is none."""
        try:
            share = X25519PublicKey.from_public_bytes(unhex(their_share, 32))
            secret = self._private.exchange(share)
        except ValueError:  # also a share of low order (RFC 7748, 6.1)
            raise Refused("the other side's share is none") from None
        made = HKDF(SHA256(), 96, salt=spoken_so_far, info=b"verifier peer pairing").derive(secret + code)
        return {"asking": made[:32], "far": made[32:64], "key": made[64:]}


def proof(key: bytes, side: Side, spoken_so_far: bytes) -> str:
    """What only a holder of `key` can say at this point of this handshake."""
    return hmac.digest(key, b"proof " + side.encode() + spoken_so_far, "sha256").hex()


def session_key(key: bytes, spoken_so_far: bytes) -> bytes:
    return hmac.digest(key, b"session " + spoken_so_far, "sha256")


def proved(given: object, key: bytes, side: Side, spoken_so_far: bytes) -> bool:
    return isinstance(given, str) and hmac.compare_digest(
        given.encode("utf-8", "replace"), proof(key, side, spoken_so_far).encode()
    )


def unhex(text: object, octets: int) -> bytes:
    """Octets behind lower-case hexadecimal text; Refused when it is something else."""
    if not isinstance(text, str) or len(text) != 2 * octets or set(text) - set("0123456789abcdef"):
        raise Refused("a message does not hold what it should")
    return bytes.fromhex(text)


def number(message: dict[str, Any], name: str, least: float, most: float) -> float:
    """A number of a message within bounds; Refused otherwise."""
    value = message.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise Refused(f"{name} must lie between {least:g} and {most:g}")
    return value
