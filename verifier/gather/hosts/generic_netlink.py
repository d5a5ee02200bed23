"""Questions to the kernel over generic netlink, in pyroute2's messages and over a plain socket.

pyroute2's own sockets bring an event loop of their own and wait without an end; here anyio waits, on asyncio and
trio alike, each question has a time limit, and what is cancelled is gone. Only what the kernel itself sends is
believed.
"""

from __future__ import annotations

import errno
import os
import socket
import struct
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import anyio

from verifier.errors import Absent, BenchFault, NotPossible

NETLINK_GENERIC = 16
_SOL_NETLINK, _ADD_MEMBERSHIP = 270, 1
_REQUEST, _ACK, _DUMP, _DUMP_INTERRUPTED = 0x1, 0x4, 0x300, 0x10
_ERROR, _DONE = 2, 3
_CONTROL, _GET_FAMILY = 0x10, 3
_HEADER = struct.Struct("=IHHII")
"""Length, type, flags, sequence number, port: struct nlmsghdr in include/uapi/linux/netlink.h."""
RECEIVE_OCTETS = 1 << 18
ANSWER_SECONDS = 5.0
MOST_MESSAGES = 4096
TRIES = 3
"""How often a list is asked for anew that changed while it was told."""


class Line(Protocol):
    """What is used of a netlink socket."""

    def fileno(self) -> int: ...

    def send(self, data: bytes, /) -> int: ...

    def recvmsg(self, octets: int, /) -> tuple[bytes, list[Any], int, Any]: ...

    def setsockopt(self, level: int, option: int, value: int, /) -> None: ...

    def close(self) -> None: ...


def netlink_line() -> Line:
    """A socket to the kernel; NotPossible where this machine allows none."""
    try:
        line = socket.socket(
            socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC, NETLINK_GENERIC
        )
        line.bind((0, 0))
    except OSError as error:
        raise NotPossible(f"the kernel cannot be asked here (netlink: {error.strerror})") from None
    return line


class Refusal(Exception):
    """The kernel's answer is an error number."""

    def __init__(self, number: int) -> None:
        super().__init__(os.strerror(number))
        self.number = number


@dataclass(slots=True)
class Family:
    """An open line to one family of the kernel's, such as nl80211."""

    line: Line
    name: str
    kind: type[Any]
    """Class of its messages."""
    number: int = 0
    groups: dict[str, int] = field(default_factory=dict)
    _sequence: int = 0

    async def find(self) -> None:
        """Ask for the family's number and groups. Absent where the kernel has no such family."""
        from pyroute2.netlink import ctrlmsg

        try:
            said = await self._asked(
                ctrlmsg(), _CONTROL, _GET_FAMILY, [["CTRL_ATTR_FAMILY_NAME", self.name]], _ACK
            )
        except Refusal as error:
            if error.number == errno.ENOENT:
                raise Absent(f"this kernel has no {self.name}") from None
            raise NotPossible(f"the kernel does not tell its {self.name}: {error}") from None
        for message in said:
            number = message.get_attr("CTRL_ATTR_FAMILY_ID")
            self.number = number if isinstance(number, int) else self.number
            for group in message.get_attr("CTRL_ATTR_MCAST_GROUPS") or ():
                name, at = (group.get_attr(f"CTRL_ATTR_MCAST_GRP_{what}") for what in ("NAME", "ID"))
                if isinstance(name, str) and isinstance(at, int):
                    self.groups[name] = at
        if not self.number:
            raise BenchFault(f"the kernel told no number of {self.name}")

    def join(self, group: str) -> None:
        """Have the events of a group sent to this line."""
        if group not in self.groups:
            raise NotPossible(f"this kernel tells no events of {self.name} ({group})")
        self.line.setsockopt(_SOL_NETLINK, _ADD_MEMBERSHIP, self.groups[group])

    async def ask(self, command: int, attributes: Sequence[Any] = (), *, dump: bool = False) -> list[Any]:
        """The messages that answer; with `dump`, a whole list. Refusal with the kernel's error."""
        for _ in range(TRIES):
            said = await self._asked(self.kind(), self.number, command, list(attributes), _DUMP if dump else _ACK)
            if not any(message["header"]["flags"] & _DUMP_INTERRUPTED for message in said):
                break
        return said

    async def _asked(self, message: Any, kind: int, command: int, attributes: list[Any], flags: int) -> list[Any]:
        self._sequence += 1
        message["cmd"], message["version"] = command, 1
        message["attrs"] = attributes
        header = message["header"]
        header["type"], header["flags"], header["sequence_number"] = kind, _REQUEST | flags, self._sequence
        message.encode()
        self.line.send(bytes(message.data))
        found: list[Any] = []
        with anyio.move_on_after(ANSWER_SECONDS):
            while True:
                for at, octets in messages_in(await received(self.line)):
                    if at.sequence != self._sequence:
                        continue  # an event, or the rest of an answer that was given up
                    if at.kind == _DONE or at.kind == _ERROR:
                        number = -int.from_bytes(octets[16:20], sys.byteorder, signed=True)
                        if number > 0:
                            raise Refusal(number)
                        return found
                    if at.kind == kind and len(found) < MOST_MESSAGES:
                        found.append(decoded(type(message), octets))
        raise BenchFault(f"the kernel did not answer within {ANSWER_SECONDS:g} s ({self.name})")

    async def events(self) -> list[Any]:
        """What the kernel sent by itself; waits for it."""
        return [
            decoded(self.kind, octets)
            for at, octets in messages_in(await received(self.line))
            if at.kind == self.number and at.sequence == 0
        ]


@dataclass(frozen=True, slots=True)
class At:
    kind: int
    sequence: int


def messages_in(data: bytes) -> Iterator[tuple[At, bytes]]:
    """The messages of one datagram. BenchFault where a length is none."""
    at = 0
    while at + _HEADER.size <= len(data):
        length, kind, _, sequence, _ = _HEADER.unpack_from(data, at)
        if not _HEADER.size <= length <= len(data) - at:
            raise BenchFault("the kernel sent a message that is cut short (netlink)")
        yield At(kind, sequence), data[at : at + length]
        at += (length + 3) & ~3


def decoded(kind: type[Any], octets: bytes) -> Any:
    """One message; BenchFault where it is none of this kind."""
    message = kind(octets)
    try:
        message.decode()
    except Exception as error:  # pyroute2 raises what struct, and its own code, meet
        raise BenchFault(f"the kernel sent a message that cannot be read: {type(error).__name__}") from None
    return message


async def received(line: Line) -> bytes:
    """The next datagram of the kernel's. BenchFault when the kernel had to drop some."""
    while True:
        try:
            data, _, flags, sender = line.recvmsg(RECEIVE_OCTETS)
        except BlockingIOError:
            await anyio.wait_readable(line.fileno())
            continue
        except OSError as error:
            if error.errno == errno.ENOBUFS:
                raise BenchFault("the kernel dropped messages because they were not read in time") from None
            raise
        if flags & socket.MSG_TRUNC:
            raise BenchFault("the kernel sent a message that is too long (netlink)")
        if isinstance(sender, tuple) and sender[0] == 0:
            return data
