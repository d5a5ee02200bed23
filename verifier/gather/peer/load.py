"""Sends and receives load: blocking sockets with deadlines of the kernel's, for threads of their own.

Time is read from the monotonic clock itself: what is measured is this machine's own work, at hundreds of thousands
of datagrams a second. All of it ends by itself: every socket has a time limit, every loop a deadline and a count.
"""

from __future__ import annotations

import errno
import fcntl
import socket
import struct
import termios
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from verifier.gather.peer.words import Datagrams, Flow

SEND_OCTETS = 1 << 17
RECEIVE_OCTETS = 1 << 17
"""Stays within a processor's second cache; 1 MB at a time was a tenth slower."""
SETTLE = 0.3
"""Seconds that a receiver waits for the next datagram still under way after the sender has ended."""
WARM_UP = 0.1
"""Part of a transfer that is not counted."""
STALLED = 5.0
"""Seconds without progress after which a transfer is given up."""
TOKEN = 6
HEADER = struct.Struct("!6sIQ")
"""Token, number, and when it was sent in nanoseconds of the sender's monotonic clock."""
LONGEST_DATAGRAM = 65_507
_TICK = 0.05
_INT, _TIMESPEC = struct.Struct("@i"), struct.Struct("@ll")
_SO_RCVBUFFORCE, _SO_TIMESTAMPNS, _SO_MEMINFO, _SK_MEMINFO_DROPS = 33, 35, 55, 8
"""include/uapi/asm-generic/socket.h; include/uapi/linux/sock_diag.h."""


def send_stream(connection: socket.socket, seconds: float) -> int:
    """Send as fast as TCP allows for that long; octets given to the kernel. The far side sees the end of it."""
    block = memoryview(bytes(SEND_OCTETS))
    limit(connection, STALLED)
    sent, until = 0, time.monotonic() + seconds
    with suppress(BlockingIOError, BrokenPipeError, ConnectionResetError):
        while time.monotonic() < until:
            sent += connection.send(block)
    with suppress(OSError):
        connection.shutdown(socket.SHUT_WR)
    return sent


def receive_stream(connection: socket.socket, seconds: float) -> Flow | None:
    """Receive to the end, or `STALLED` past the time it should have ended; None when hardly anything came.

    The first tenth is received and not counted: TCP has to find its speed. Nor is what waits in the buffer when
    the count begins: it came before, and would seem to have come in no time. So nothing makes the figure larger
    than what the link carried; a receiver that is not let run only makes it smaller.
    """
    block = bytearray(RECEIVE_OCTETS)
    limit(connection, STALLED)
    try:
        if not connection.recv_into(block):
            return None
        counted = time.monotonic() + seconds * WARM_UP
        until = counted + seconds + STALLED
        while (began := time.monotonic()) < counted:
            if not connection.recv_into(block):
                return None
        octets, last = -_waiting(connection), began
        while last < until and (count := connection.recv_into(block)):
            octets += count
            last = time.monotonic()
    except (BlockingIOError, ConnectionResetError):
        return None
    return Flow(octets=octets, seconds=last - began) if octets > 0 and last > began else None


def _waiting(connection: socket.socket) -> int:
    """Octets that have come and not been received yet (SIOCINQ, tcp(7))."""
    return int(_INT.unpack(fcntl.ioctl(connection, termios.FIONREAD, bytes(_INT.size)))[0])


def send_datagrams(
    line: socket.socket, token: bytes, *, payload: int, count: int, rate: float, seconds: float
) -> int:
    """Send numbered datagrams over a connected socket; how many left. `rate` a second, 0 as fast as it goes.

    A rate is kept on average; how evenly depends on how punctually this machine wakes up. After `seconds` the
    rest is not sent: a slow link takes as long as it likes for as many.
    """
    datagram = bytearray(payload)
    limit(line, STALLED)
    sent = 0
    began = time.monotonic()
    for number in range(count):
        if (now := time.monotonic()) - began >= seconds:
            break
        if rate and (ahead := began + number / rate - now) > 0:
            time.sleep(ahead)
        HEADER.pack_into(datagram, 0, token, number, time.monotonic_ns())
        try:
            line.send(datagram)
        except OSError as error:
            if error.errno not in (errno.ENOBUFS, errno.ECONNREFUSED, errno.EAGAIN):
                raise
            if error.errno != errno.ENOBUFS:
                break  # nobody there, or the link stands still
        else:
            sent = number + 1
    return sent


def receive_datagrams(
    line: socket.socket, token: bytes, count: int, ended: Callable[[], int | None], seconds: float
) -> Datagrams:
    """Receive until `ended` tells how many were sent and nothing more comes, at most `seconds`.

    Jitter is RFC 3550, 6.4.1: J += (|D| − J) / 16 over consecutive arrivals, D the change of the transit time.
    """
    seen = bytearray(count)
    block = bytearray(LONGEST_DATAGRAM)
    received = duplicates = late = 0
    highest, transit, jitter = -1, None, 0.0
    first = last = 0
    drops_before = drops(line)
    limit(line, _TICK)
    end = until = time.monotonic() + seconds
    look = 0.0
    sent: int | None = None
    while (clock := time.monotonic()) < until and received < (count if sent is None else sent):
        if sent is None and clock >= look:
            # By the clock: whoever floods this port does not keep it from being asked.
            sent, look = ended(), clock + _TICK
            if sent is not None:
                until = min(end, clock + SETTLE)
                continue
        try:
            octets, words, _, _ = line.recvmsg_into([block], 64)
        except (BlockingIOError, ConnectionRefusedError):
            continue
        if octets >= HEADER.size:
            now = _arrival(words)
            theirs, number, stamp = HEADER.unpack_from(block)
            if theirs != token or number >= count:
                continue
            first, last = first or now, now
            if seen[number]:
                duplicates += 1
            else:
                seen[number] = 1
                received += 1
                if sent is not None:
                    until = min(end, clock + SETTLE)  # still under way: late is not lost
                late += number < highest
                highest = max(highest, number)
            if transit is not None:
                jitter += (abs(now - stamp - transit) - jitter) / 16
            transit = now - stamp
    if sent is None:
        sent = ended()
    return Datagrams(
        sent=count if sent is None else sent,
        received=received,
        duplicates=duplicates,
        late=late,
        overrun=drops(line) - drops_before,
        seconds=(last - first) / 1e9,
        jitter=jitter / 1e9,
    )


def _arrival(words: list[tuple[int, int, bytes]]) -> int:
    """When the kernel received the datagram, in nanoseconds: a thread that was not let run sees it later."""
    for level, kind, data in words:
        if (level, kind) == (socket.SOL_SOCKET, _SO_TIMESTAMPNS) and len(data) == _TIMESPEC.size:
            seconds, nanoseconds = _TIMESPEC.unpack(data)
            return int(seconds * 1_000_000_000 + nanoseconds)
    return time.time_ns()


def return_echoes(line: socket.socket, token: bytes, *, count: int, source: str, seconds: float) -> None:
    """Send datagrams with the token back to where they came from, if that is `source`."""
    block = bytearray(LONGEST_DATAGRAM)
    limit(line, _TICK)
    until = time.monotonic() + seconds
    while count and time.monotonic() < until:
        try:
            octets, sender = line.recvfrom_into(block)
            if address_of(sender) != source or octets < HEADER.size or bytes(block[:TOKEN]) != token:
                continue
            if HEADER.unpack_from(block)[1] == LAST:
                return
            count -= 1
            line.sendto(memoryview(block)[:octets], sender)
        except BlockingIOError:
            continue
        except OSError as error:
            if error.errno != errno.ENOBUFS:
                raise


LAST = 2**32 - 1
"""Number of a datagram that says: no more will come."""


def ask_echoes(
    line: socket.socket, token: bytes, *, payload: int, count: int, interval: float, wait: float
) -> list[float | None]:
    """Round-trip time of each datagram in seconds, one after the other; None for one that did not come back."""
    datagram, block = bytearray(payload), bytearray(LONGEST_DATAGRAM)
    found: list[float | None] = []
    for number in range(count):
        sent = time.monotonic_ns()
        HEADER.pack_into(datagram, 0, token, number, sent)
        line.send(datagram)
        found.append(_echo(line, block, (token, number, sent), sent, wait))
        time.sleep(interval)
    HEADER.pack_into(datagram, 0, token, LAST, 0)
    with suppress(OSError):
        line.send(datagram)
    return found


def _echo(
    line: socket.socket, block: bytearray, expected: tuple[bytes, int, int], sent: int, wait: float
) -> float | None:
    while (left := sent + int(wait * 1e9) - time.monotonic_ns()) > 0:
        limit(line, left / 1e9)
        try:
            octets = line.recv_into(block)
        except (BlockingIOError, ConnectionRefusedError):
            continue
        now = time.monotonic_ns()
        if octets >= HEADER.size and HEADER.unpack_from(block) == expected:
            return (now - sent) / 1e9
    return None


def place_of(address: str, port: int) -> tuple[Any, ...]:
    """What a socket takes for an address in numbers: a link-local one needs its scope (RFC 4007, 11)."""
    return socket.getaddrinfo(address, port, flags=socket.AI_NUMERICHOST)[0][4]


def address_of(place: tuple[Any, ...]) -> str:
    """The same back from a socket, without the port."""
    scope = f"%{place[3]}" if len(place) > 3 and place[3] else ""
    return f"{place[0]}{scope}"


def keep_to(line: socket.socket, interface: str) -> None:
    """Have a socket send and receive over one interface only, whatever the routes say (socket(7)).

    Any account may, since Linux 5.7. Raises the OSError of the kernel: ENODEV without such an interface.
    """
    if interface:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, interface.encode() + b"\0")


def datagram_socket(address: str, interface: str = "") -> socket.socket:
    """Bound to `address`, a port of the kernel's choice, with as much room for datagrams as it gives.

    Arrivals are stamped from here on: of those that come before the receiver looks, none seems to come later.
    """
    line = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_DGRAM)
    try:
        keep_to(line, interface)
        for option in (_SO_RCVBUFFORCE, socket.SO_RCVBUF):  # the first needs CAP_NET_ADMIN
            with suppress(OSError):
                line.setsockopt(socket.SOL_SOCKET, option, 8 << 20)
                break
        line.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        line.bind(place_of(address, 0))
    except BaseException:
        line.close()
        raise
    return line


def drops(line: socket.socket) -> int:
    """Datagrams that found the socket's buffer full; 0 where the kernel does not say."""
    try:
        found = line.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, 36)
    except OSError:
        return 0
    return int(struct.unpack("=9I", found)[_SK_MEMINFO_DROPS]) if len(found) == 36 else 0


def limit(line: socket.socket, seconds: float) -> None:
    """Blocking calls, which the kernel ends after that time with EAGAIN: no poll before each."""
    line.settimeout(None)
    whole = int(seconds)
    value = struct.pack("@ll", whole, max(1, int((seconds - whole) * 1e6)))
    line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, value)
    line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, value)
