"""One command over the connection to a unit, and what it came to: bounded, and never cut."""

from __future__ import annotations

import errno
from dataclasses import dataclass
from typing import TYPE_CHECKING

import anyio

from verifier.errors import BenchFault
from verifier.gather.hosts import ssh_words as words
from verifier.gather.hosts.host_keys import plain

if TYPE_CHECKING:
    import asyncssh

WORDS_LIMIT = 4096
"""Bytes of an error message that are looked at, and of what a login shell may say before it."""


@dataclass(frozen=True, slots=True)
class Said:
    """What one command on the unit came to."""

    exit: int
    out: bytes
    err: str
    flooded: bool = False


async def say(connection: asyncssh.SSHClientConnection, command: str, limit: int) -> Said:
    """Raises what lost the connection meanwhile; BenchFault where no POSIX shell is started."""
    import asyncssh

    out, err, done = bytearray(), bytearray(), anyio.Event()

    flooded = False
    lost: Exception | None = None

    class Session(asyncssh.SSHClientSession[bytes]):
        def data_received(self, data: bytes, datatype: asyncssh.DataType) -> None:
            if datatype == asyncssh.EXTENDED_DATA_STDERR:
                err.extend(data[: WORDS_LIMIT - len(err)])  # an endless one is ended by its own time
                return
            nonlocal flooded
            if len(out) + len(data) > limit + WORDS_LIMIT:
                flooded = True
                done.set()
            else:
                out.extend(data)

        def connection_lost(self, exc: Exception | None) -> None:
            nonlocal lost
            lost = exc
            done.set()

    channel, _ = await connection.create_session(Session, command, encoding=None)
    try:
        channel.write_eof()
        await done.wait()
    finally:
        channel.abort()
    code, printed = channel.get_exit_status(), words.after_mark(bytes(out))
    if flooded or (printed is not None and len(printed) > limit):
        return Said(exit=0, out=b"", err="", flooded=True)
    if lost is not None:
        raise lost
    if code is None or code < 0:
        raise ConnectionResetError(errno.ECONNRESET, "the answer broke off")
    if printed is None:
        said = plain((bytes(err) or bytes(out))[-200:].decode("utf-8", "replace"))
        raise BenchFault(f"the unit's login shell starts no POSIX shell: {said or 'it says nothing'}")
    complaint = words.after_mark(bytes(err)) or b""
    return Said(exit=code, out=printed, err=complaint.decode("utf-8", "replace"))
