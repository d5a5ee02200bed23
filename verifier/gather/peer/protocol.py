"""Who may ask a far end, and how both sides know each other.

The threat: a stranger on the bench network, who can connect, listen, replay and send anything, and who may
stand between the two. What the rules below give, and what they do not:

1. *Keys.* Each side has one lasting X25519 key, in a file of its own that its owner alone may read. A far end lets
   in the stations whose public keys it keeps; a station believes the one public key that it keeps for a far end.
   What is kept lasts until it is forgotten (`peer forget`, `peer revoke`), however often either side restarts.
2. *Handshake.* Both sides say their lasting public key and a fresh share. The key of the session is HKDF-SHA256,
   salted with the digest of all that was said, over the four agreements of the pattern KK (es, se, ss, ee; Noise
   protocol framework, revision 34). Nobody has it who has neither side's private key; who stole one side's can
   play that side, and not the other one to it; and nothing that was recorded can be played again.
3. *Pairing* is the same handshake, keyed with a one-time code too, before either side knows the other's key; each
   keeps the other's afterwards. The asking side seals first. A listener learns nothing that the code could be
   tried against. Who stands between, or plays the far end, gets one value to try codes against offline; the code
   therefore has 80 random bits and is never chosen by a person. A code serves one pairing; after `WRONG_CODES`
   wrong tries it is void and a new one is made.
4. Every later message carries an HMAC over direction, count and body under the key of that session alone; the
   first one in each direction is the proof. Messages are not encrypted: there is nothing secret in how fast a
   cable is. Whoever listens sees which keys talk to each other.
5. A data connection shows a token that was told over the session, serves once, and from the same address.
   Datagrams carry a shorter token, and a load of them is taken from that address and port alone. Who stands
   between can disturb or forge the load itself, and so make a sound cable look bad; a measurement over a network
   that an attacker controls proves nothing about the cable anyway.
6. Load goes only to the address of the session that asked for it: a far end cannot be aimed at others.
7. All of it is bounded: message sizes, the time of a whole handshake, connections that have not proved
   themselves (in all, and from one address), wrong proofs from one address, load in seconds and in number, the
   stations that are known, and how long a far end listens at all. A station that is revoked is refused from its
   next request on.

What it is not: protection against a flood of packets, or against somebody who can read a side's files: with the
station's key he is the station, with the far end's he is the far end, until the other side forgets it.
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
from collections.abc import Mapping
from typing import Any, Literal

from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

VERSION = 3
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
        self._spoken_so_far = hashlib.sha256(b"verifier peer 3")

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
        if length > (LIMIT if self._received else FIRST_LIMIT):
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


class Handshake:
    """One side of a handshake (rules 2 and 3), until the other side's key and share are known."""

    def __init__(self, own: bytes, side: Side) -> None:
        self._lasting, self._side = X25519PrivateKey.from_private_bytes(own), side
        self._fresh = X25519PrivateKey.generate()
        self.said = {"key": public_key(own), "share": self._fresh.public_key().public_bytes_raw().hex()}
        """For this side's first message."""

    def seal(self, line: Line, theirs: Mapping[str, Any], code: bytes = b"") -> None:
        """From now on each message is sealed. `theirs` is the other side's first one; `code` is for pairing.

        Refused for a key or share that is none.
        """
        try:
            key, share = (X25519PublicKey.from_public_bytes(unhex(theirs.get(n), 32)) for n in ("key", "share"))
            crossed = [self._fresh.exchange(key), self._lasting.exchange(share)]
            straight = [self._lasting.exchange(key), self._fresh.exchange(share)]
        except ValueError:  # also one of low order (RFC 7748, 6.1)
            raise Refused("the other side's share is none") from None
        if self._side == "far":
            crossed.reverse()
        secret = b"".join([*crossed, *straight, code])
        kdf = HKDF(SHA256(), 32, salt=line.spoken_so_far, info=b"verifier peer session")
        line.authenticate(kdf.derive(secret), self._side)


def public_key(own: bytes) -> str:
    """The public half of a lasting key, as it is told and kept."""
    return X25519PrivateKey.from_private_bytes(own).public_key().public_bytes_raw().hex()


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
