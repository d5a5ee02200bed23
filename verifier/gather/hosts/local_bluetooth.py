"""This computer's Bluetooth adapters, over the kernel's management socket (include/net/bluetooth/mgmt.h).

The kernel scans; whatever else uses the adapter goes on doing so. It may tell of each device only once in a scan,
so short scans follow each other. The socket needs CAP_NET_ADMIN.
"""

from __future__ import annotations

import ctypes
import errno
import os
import socket
import struct
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

import anyio

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.radio import Advertisement

AF_BLUETOOTH, BTPROTO_HCI, HCI_CHANNEL_CONTROL, HCI_DEV_NONE = 31, 1, 3, 0xFFFF
START_DISCOVERY, STOP_DISCOVERY = 0x0023, 0x0024
COMMAND_COMPLETE, COMMAND_STATUS, DEVICE_FOUND, DISCOVERING = 0x0001, 0x0002, 0x0012, 0x0013
LOW_ENERGY = 0x06
"""Address types of a scan: bits 1 and 2, public and random Low Energy addresses."""
NO_LEVEL = 127
"""Level that stands for none (Bluetooth Core Specification, Vol 4, Part E, 7.7.65.2)."""
ANSWER_SECONDS = 5.0
SCAN_SECONDS = 5.0
"""Length of one scan within a longer listening."""
PACKET_OCTETS = 1 << 16
_HEADER = struct.Struct("<HHH")
"""Code, adapter, length of what follows: struct mgmt_hdr."""
_FOUND = struct.Struct("<6sBbIH")
"""Address, its type, level, flags, length of data: struct mgmt_ev_device_found."""
MOST_HEARD = 100_000
_BUSY, _AGAIN = 0x0A, 0.25
_REASONS = {
    0x0C: "it has no Bluetooth Low Energy",
    0x0F: "it is switched off",
    0x12: "it is blocked by its switch or by software (rfkill)",
}
"""MGMT_STATUS_*: what a technician can do something about."""


class Line(Protocol):
    """What is used of a management socket: whole packets."""

    def fileno(self) -> int: ...

    def send(self, data: bytes, /) -> int: ...

    def recv(self, octets: int, /) -> bytes: ...

    def close(self) -> None: ...


def management_line() -> Line:
    """A management socket; Absent where the kernel has no Bluetooth, NotPossible without the right to it."""
    try:
        line = socket.socket(
            AF_BLUETOOTH, socket.SOCK_RAW | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC, BTPROTO_HCI
        )
    except OSError as error:
        if error.errno in (errno.EAFNOSUPPORT, errno.EPROTONOSUPPORT):
            raise Absent("this host has no Bluetooth adapter") from None
        raise _not_allowed() from None
    # The standard library binds such sockets to an adapter, never to a channel.
    address = struct.pack("=HHH", AF_BLUETOOTH, HCI_DEV_NONE, HCI_CHANNEL_CONTROL)
    if ctypes.CDLL(None, use_errno=True).bind(line.fileno(), address, len(address)):
        number = ctypes.get_errno()
        line.close()
        if number in (errno.EPERM, errno.EACCES):
            raise _not_allowed()
        raise NotPossible(f"Bluetooth cannot be managed here: {os.strerror(number)}")
    return line


def _not_allowed() -> NotPossible:
    return NotPossible("listening for Bluetooth beacons needs CAP_NET_ADMIN (run as root)")


@dataclass(frozen=True, slots=True)
class Packet:
    code: int
    adapter: int
    data: bytes


def packet_of(data: bytes) -> Packet:
    """BenchFault where it is none."""
    if len(data) < _HEADER.size:
        raise BenchFault("the kernel sent a Bluetooth message that is cut short")
    code, adapter, length = _HEADER.unpack_from(data)
    if len(data) != _HEADER.size + length:
        raise BenchFault("the kernel sent a Bluetooth message of a wrong length")
    return Packet(code, adapter, data[_HEADER.size :])


def advertisement_of(data: bytes) -> Advertisement | None:
    """From the parameters of the event Device Found; None where they are of no Low Energy device."""
    if len(data) < _FOUND.size:
        return None
    octets, kind, level, _, length = _FOUND.unpack_from(data)
    if kind not in (1, 2) or len(data) != _FOUND.size + length:
        return None
    return Advertisement(
        address=octets[::-1].hex(":"),  # the lowest octet comes first
        level=None if level in (NO_LEVEL, 0) else level,
        data=data[_FOUND.size :],
    )


async def advertisements(
    adapter: str, seconds: float, line: Callable[[], Line] = management_line
) -> list[Advertisement]:
    """What is heard within `seconds`, scan after scan."""
    digits = adapter.removeprefix("hci")
    if not (digits.isascii() and digits.isdigit() and len(digits) <= 3):
        raise Absent(f"{adapter[:20]!r} is no Bluetooth adapter, such as hci0")
    listening = _Listening(line(), int(digits), adapter)
    try:
        until = anyio.current_time() + seconds
        while (left := until - anyio.current_time()) > 0:
            await listening.scan(min(SCAN_SECONDS, left))
    finally:
        listening.close()
    return listening.heard


class _Listening:
    def __init__(self, line: Line, number: int, adapter: str) -> None:
        self._line, self._number, self._adapter = line, number, adapter
        self.heard: list[Advertisement] = []

    async def scan(self, seconds: float) -> None:
        await self._start()
        with anyio.move_on_after(seconds):
            while True:
                packet = await self._packet()
                if packet.code == DISCOVERING and packet.data[1:2] == b"\0":
                    return  # the kernel's own time for a scan is over
                self._hear(packet)
        self._send(STOP_DISCOVERY)

    def _hear(self, packet: Packet) -> None:
        if packet.code == DEVICE_FOUND and len(self.heard) < MOST_HEARD:
            advertisement = advertisement_of(packet.data)
            self.heard += [advertisement] if advertisement else []

    async def _start(self) -> None:
        """Start a scan, once the one before has ended."""
        with anyio.move_on_after(ANSWER_SECONDS):
            while True:
                self._send(START_DISCOVERY)
                status = await self._status_of(START_DISCOVERY)
                if status == 0:
                    return
                if status != _BUSY:
                    raise self._refused(status)
                await anyio.sleep(_AGAIN)
        raise BenchFault(
            f"the Bluetooth adapter {self._adapter} did not begin to listen, or is kept busy by others"
        )

    async def _status_of(self, command: int) -> int:
        while True:
            packet = await self._packet()
            if packet.code in (COMMAND_COMPLETE, COMMAND_STATUS) and len(packet.data) >= 3:
                asked, status = struct.unpack_from("<HB", packet.data)
                if asked == command:
                    return int(status)
            self._hear(packet)

    def _refused(self, status: int) -> Exception:
        if status == 0x11:
            return Absent(f"there is no Bluetooth adapter {self._adapter}")
        if status == 0x14:
            return _not_allowed()
        if status in _REASONS:
            return NotPossible(f"{self._adapter} cannot listen: {_REASONS[status]}")
        return BenchFault(f"the Bluetooth adapter {self._adapter} refused to listen (status 0x{status:02x})")

    async def _packet(self) -> Packet:
        """The next packet of this adapter."""
        while True:
            try:
                packet = packet_of(self._line.recv(PACKET_OCTETS))
            except BlockingIOError:
                await anyio.wait_readable(self._line.fileno())
                continue
            if packet.adapter == self._number:
                return packet

    def _send(self, command: int) -> None:
        self._line.send(_HEADER.pack(command, self._number, 1) + bytes([LOW_ENERGY]))

    def close(self) -> None:
        with suppress(OSError):
            self._send(STOP_DISCOVERY)
        self._line.close()
