"""The network as this computer sees it.

Plain sockets, waited for through anyio, so that it works the same on asyncio and trio. ICMP goes
through an unprivileged datagram socket (Linux, net.ipv4.ping_group_range): no raw socket, no root.
"""

from __future__ import annotations

import errno
import os
import socket
import struct
from contextlib import closing
from typing import TYPE_CHECKING

import anyio

from verifier.errors import BenchFault, InputError, NotPossible
from verifier.services import Clocks, Exchange

if TYPE_CHECKING:
    from verifier.gather.peer.words import FarEnd

ANSWER_LIMIT = 2048
"""Bytes of an answer that are looked at."""
_ECHO = {socket.AF_INET: (8, 0), socket.AF_INET6: (128, 129)}
"""ICMP types of an echo request and its reply: RFC 792; RFC 4443, 4.1 and 4.2."""
_SILENT = frozenset({errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ECONNREFUSED, errno.ENETDOWN, errno.EHOSTDOWN})
"""What the kernel says when nothing can answer: no route, or a router's word that there is nobody."""
_REFUSED = frozenset({errno.EACCES, errno.EPERM, errno.EPROTONOSUPPORT, errno.EAFNOSUPPORT})


class LocalNet:
    def __init__(self, clocks: Clocks) -> None:
        self._clocks = clocks

    async def resolve(self, name: str) -> str:
        try:
            found = await anyio.getaddrinfo(name, None, type=socket.SOCK_STREAM)
        except (OSError, UnicodeError):
            found = []
        for _, _, _, _, address in found:
            return str(address[0])
        raise NotPossible(f"the name {name[:200]!r} leads to no address here")

    async def echo(self, address: str, sequence: int, timeout: float) -> float | None:
        family = _family(address)
        asked, answered = _ECHO[family]
        protocol = socket.IPPROTO_ICMP if family == socket.AF_INET else socket.IPPROTO_ICMPV6
        try:
            opened = socket.socket(family, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK, protocol)
        except OSError as error:
            if error.errno in _REFUSED:
                raise NotPossible(
                    "this machine does not allow ICMP echo here (net.ipv4.ping_group_range)"
                ) from None
            raise
        # The kernel fills in checksum and identifier; the token tells this request's reply from another's.
        token = os.urandom(16)
        request = struct.pack("!BBHHH", asked, 0, 0, 0, sequence & 0xFFFF) + token
        with closing(opened) as line:
            began = self._clocks.loop()
            if not _sent(line, request, address, 0):
                return None
            with anyio.move_on_after(timeout):
                while True:
                    await anyio.wait_readable(line)
                    ended = self._clocks.loop()
                    answer, sender = _received(line)
                    if sender == address and answer[:1] == bytes([answered]) and answer[8:24] == token:
                        return ended - began
        return None

    async def connect(self, address: str, port: int, timeout: float) -> float | None:
        with closing(socket.socket(_family(address), socket.SOCK_STREAM | socket.SOCK_NONBLOCK)) as line:
            began = self._clocks.loop()
            code = line.connect_ex((address, port))
            if code == errno.EINPROGRESS:
                with anyio.move_on_after(timeout) as scope:
                    await anyio.wait_writable(line)
                if scope.cancelled_caught:
                    return None
                code = line.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            ended = self._clocks.loop()
        if code in (0, errno.ECONNREFUSED):
            return ended - began
        if code in _SILENT or code == errno.ETIMEDOUT:
            return None
        raise OSError(code, os.strerror(code), f"TCP to {address} port {port}")

    async def exchange(self, address: str, port: int, datagram: bytes, timeout: float) -> Exchange | None:
        with closing(socket.socket(_family(address), socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)) as line:
            # Connected, so that the kernel drops what comes from elsewhere and reports a closed port.
            code = line.connect_ex((address, port))
            if code:
                if code in _SILENT:
                    return None
                raise OSError(code, os.strerror(code), f"UDP to {address} port {port}")
            sent = self._clocks.wall()
            if not _sent(line, datagram):
                return None
            with anyio.move_on_after(timeout):
                await anyio.wait_readable(line)
                received = self._clocks.wall()
                answer, _ = _received(line)
                return Exchange(answer=answer, sent=sent, received=received) if answer else None
        return None

    async def far_end(self, name: str, interface: str = "") -> FarEnd:
        from verifier.gather.peer.client import open_far_end
        from verifier.gather.peer.pairings import folder, paired

        try:
            pairing = paired(folder(), name)
        except InputError as error:
            raise BenchFault(f"{error.where}: {error.what}", to_do=error.to_do) from None
        return await open_far_end(pairing, self._clocks.wall, interface)


def _family(address: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in address else socket.AF_INET


def _sent(line: socket.socket, datagram: bytes, address: str = "", port: int = 0) -> bool:
    try:
        if address:
            line.sendto(datagram, (address, port))
        else:
            line.send(datagram)
    except OSError as error:
        if error.errno in _SILENT:
            return False
        raise
    return True


def _received(line: socket.socket) -> tuple[bytes, str]:
    """What came and from where; nothing where the socket woke without a datagram or with a router's refusal."""
    try:
        answer, sender = line.recvfrom(ANSWER_LIMIT)
    except OSError as error:
        if error.errno in _SILENT or error.errno == errno.EAGAIN:
            return b"", ""
        raise
    return answer, str(sender[0]) if sender else ""
