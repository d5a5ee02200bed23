"""Much data over the SSH connection itself, by cat and timeout of the unit: what a link carries at the least.

1. Nothing is counted that did not cross the link: it is not compressed, and the time runs from the request to
   the last octet read at the other end.
2. What the unit pours out is counted and thrown away; what it is sent counts once it has read all of it.
"""

from __future__ import annotations

import errno
from typing import TYPE_CHECKING, Literal

import anyio

from verifier.gather.hosts import ssh_words as words
from verifier.services import Carried

if TYPE_CHECKING:
    import asyncssh

BLOCK = bytes(1 << 15)
"""What SSH puts into one packet at the most (RFC 4253, 6.1, leaves room for 32768 octets)."""
DRAIN = 20.0
"""Seconds that what has been sent may take to be read."""


async def carry(
    connection: asyncssh.SSHClientConnection, way: Literal["up", "down"], seconds: float
) -> Carried | None:
    """For so many seconds from the unit (up) or to it (down). None where its cat did not do it to the end."""
    import asyncssh

    done, room = anyio.Event(), anyio.Event()
    received = 0
    full = False
    lost: Exception | None = None

    class Session(asyncssh.SSHClientSession[bytes]):
        def data_received(self, data: bytes, datatype: asyncssh.DataType) -> None:
            nonlocal received
            received += len(data)

        def pause_writing(self) -> None:
            nonlocal full, room
            full, room = True, anyio.Event()

        def resume_writing(self) -> None:
            nonlocal full
            full = False
            room.set()

        def connection_lost(self, exc: Exception | None) -> None:
            nonlocal lost
            lost = exc
            done.set()
            room.set()

    command = words.pouring(seconds) if way == "up" else words.swallowing(seconds + DRAIN)
    began = anyio.current_time()
    channel, _ = await connection.create_session(Session, command, encoding=None)
    sent = 0
    try:
        while way == "down" and not done.is_set() and anyio.current_time() - began < seconds:
            if full:
                await room.wait()
                continue
            channel.write(BLOCK)
            sent += len(BLOCK)
            await anyio.sleep(0)
        channel.write_eof()
        await done.wait()
        took = anyio.current_time() - began
    finally:
        channel.abort()
    if lost is not None:
        raise lost
    code = channel.get_exit_status()
    if code is None or code < 0:
        raise ConnectionResetError(errno.ECONNRESET, "the transfer broke off")
    if way == "up":
        return Carried(octets=received, seconds=took) if code in words.TIME_IS_OVER and received else None
    return Carried(octets=sent, seconds=took) if code == 0 and sent else None
