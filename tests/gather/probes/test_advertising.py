"""Advertising data of Bluetooth Low Energy devices, and the kernel's messages about them."""

import socket
import struct
from contextlib import suppress

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import Absent, BenchFault, NotPossible, VerifierError
from verifier.gather.hosts import local_bluetooth as bt
from verifier.gather.probes.advertising import local_name, structures
from verifier.gather.radio import Advertisement

# A packet of 31 bytes that a developer published with the question what each byte is (a chip maker's public forum,
# question 11970): complete name, appearance, flags, data of a maker.
BLINKY = bytes.fromhex("0b094c45445f426c696e6b79 03190000 020106 0bffdeefff00000000000000") + b"\xff"
# Frame of the Eddystone protocol specification (protocol-specification.md, Apache-2.0): flags, a complete list of
# 16-bit services with 0xFEAA, service data of 0xFEAA; here kind 0, power, 10 bytes of namespace, 6 of instance.
UID = bytes.fromhex("020106 0303aafe 1716aafe00e700112233445566778899aabbccddeeff0000".replace(" ", ""))


def test_a_published_packet_taken_apart() -> None:
    assert local_name(BLINKY) == "LED_Blinky"
    assert [(part.kind, part.data[:2]) for part in structures(BLINKY)] == [
        (0x09, b"LE"),
        (0x19, b"\0\0"),
        (0x01, b"\x06"),
        (0xFF, b"\xde\xef"),
    ]


def test_the_frame_of_a_published_beacon_format() -> None:
    flags, services, data = structures(UID)
    assert (flags.kind, flags.data) == (1, b"\x06")
    assert (services.kind, services.data) == (3, b"\xaa\xfe")
    assert (data.kind, data.data[:3], data.data[4:14].hex()) == (0x16, b"\xaa\xfe\0", "00112233445566778899")


def test_the_complete_name_counts_and_zeros_end_the_data() -> None:
    """Core Specification, Vol 3, Part C, 11: the early end of the significant part is a length of zero."""
    assert local_name(b"\x03\x08Be\x07\x09Beacon") == "Beacon"
    assert local_name(b"\x03\x08Be") == "Be"
    assert list(structures(b"\x02\x01\x06\x00\x07\x09Beacon")) == list(structures(b"\x02\x01\x06"))
    assert local_name(b"\x09\x09Beacon") == "", "cut short"


@given(st.binary(max_size=300))
def test_any_bytes_are_taken_apart(data: bytes) -> None:
    parts = list(structures(data))
    assert sum(len(part.data) + 2 for part in parts) <= len(data) + 1
    assert isinstance(local_name(data), str)


# ---- the management socket ------------------------------------------------------------------------------


def packet(code: int, data: bytes = b"", *, adapter: int = 0) -> bytes:
    """struct mgmt_hdr in include/net/bluetooth/mgmt.h."""
    return struct.pack("<HHH", code, adapter, len(data)) + data


def found(level: int = -60, *, kind: int = 2, data: bytes = UID) -> bytes:
    """struct mgmt_ev_device_found: the address comes with its lowest octet first."""
    address = bytes.fromhex("0102030405c0")
    return address + struct.pack("<BbIH", kind, level, 0, len(data)) + data


class Management:
    """A kernel with one adapter: composed messages. `statuses` answer one start after another, the last always."""

    def __init__(self, *heard: bytes, statuses: tuple[int, ...] = (0,)) -> None:
        self.heard, self.statuses, self.sent, self.closed = list(heard), list(statuses), [], False
        self._ours, self._theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._ours.setblocking(False)

    def fileno(self) -> int:
        return self._ours.fileno()

    def send(self, data: bytes, /) -> int:
        code = struct.unpack_from("<H", data)[0]
        assert data[6:] == b"\x06"
        self.sent.append(code)
        if code == bt.START_DISCOVERY:
            status = self.statuses[0] if len(self.statuses) == 1 else self.statuses.pop(0)
            self._theirs.send(packet(0x0013, b"\x06\x01"))
            self._theirs.send(packet(bt.COMMAND_COMPLETE, struct.pack("<HB", code, status) + b"\x06"))
            for one in self.heard if status == 0 else ():
                self._theirs.send(one)
        return len(data)

    def recv(self, octets: int, /) -> bytes:
        return self._ours.recv(octets)

    def close(self) -> None:
        self.closed = True
        self._ours.close()
        self._theirs.close()


def listen(management: Management, seconds: float = 0.05) -> list[Advertisement]:
    try:
        return anyio.run(bt.advertisements, "hci0", seconds, lambda: management)
    finally:
        assert management.closed and management.sent[-1] == bt.STOP_DISCOVERY


def test_what_is_heard_with_address_and_level() -> None:
    heard = listen(Management(packet(bt.DEVICE_FOUND, found(-60)), packet(bt.DEVICE_FOUND, found(-61), adapter=3)))
    (one,) = heard
    assert (one.address, one.level, one.data) == ("c0:05:04:03:02:01", -60, UID)


@pytest.mark.parametrize("level", [127, 0])
def test_a_level_that_is_none(level: int) -> None:
    (one,) = listen(Management(packet(bt.DEVICE_FOUND, found(level))))
    assert one.level is None


def test_devices_of_the_older_kind_are_left_out() -> None:
    assert listen(Management(packet(bt.DEVICE_FOUND, found(kind=0)))) == []


def test_when_the_kernels_scan_is_over_the_next_begins() -> None:
    management = Management(packet(bt.DEVICE_FOUND, found()), packet(bt.DISCOVERING, b"\x06\x00"))
    assert len(listen(management)) > 1
    assert management.sent.count(bt.START_DISCOVERY) > 1


def test_another_programs_scan_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bt, "_AGAIN", 0.001)
    assert len(listen(Management(packet(bt.DEVICE_FOUND, found()), statuses=(0x0A, 0x0A, 0)), 0.2)) >= 1


@pytest.mark.parametrize(
    ("status", "error", "words"),
    [
        (0x0F, NotPossible, "switched off"),
        (0x12, NotPossible, "rfkill"),
        (0x0C, NotPossible, "no Bluetooth Low Energy"),
        (0x14, NotPossible, "CAP_NET_ADMIN"),
        (0x11, Absent, "no Bluetooth adapter hci0"),
        (0x03, BenchFault, "0x03"),
    ],
)
def test_an_adapter_that_does_not_listen_says_why(status: int, error: type[VerifierError], words: str) -> None:
    with pytest.raises(error, match=words):
        listen(Management(statuses=(status,)))


@given(st.binary(max_size=80))
def test_any_message_is_read_or_refused(data: bytes) -> None:
    with suppress(BenchFault):
        one = bt.packet_of(data)
        assert len(one.data) == len(data) - 6
    heard = bt.advertisement_of(data)
    assert heard is None or len(heard.address) == 17


def test_a_message_of_a_wrong_length_is_a_bench_fault() -> None:
    with pytest.raises(BenchFault, match="wrong length"):
        listen(Management(packet(bt.DEVICE_FOUND, found())[:-1]))


@pytest.mark.parametrize("name", ["hci", "hci0000", "hci-1", "wlan0", "hci²"])
def test_what_is_no_adapter(name: str) -> None:
    with pytest.raises(Absent, match="no Bluetooth adapter"):
        anyio.run(bt.advertisements, name, 0.1)
