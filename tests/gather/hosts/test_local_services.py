"""This computer's network and clocks as services."""

import errno
import fcntl
import os
import struct
from pathlib import Path

import anyio
import pytest

from verifier.errors import Absent, NotPossible
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.hosts.local_clock import LocalClock
from verifier.services import clock_of, net_of


def flags(name: str = "rtc0") -> int:
    return anyio.run(LocalClock(RealClocks()).rtc_flags, name)


@pytest.fixture
def device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A file in the place of /dev/rtc0; what it answers to ioctl, each test says."""
    file = tmp_path / "rtc0"
    file.touch()
    real = os.open
    monkeypatch.setattr(os, "open", lambda path, flags: real(file if path == "/dev/rtc0" else path, flags))
    return file


def test_voltage_flags_are_asked_with_the_kernels_own_number(
    device: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RTC_VL_READ is _IOR('p', 0x13, unsigned int), by asm-generic/ioctl.h: read, 4 bytes, 'p', 0x13."""
    number = 2 << 30 | 4 << 16 | ord("p") << 8 | 0x13

    def answer(fd: int, request: int, argument: bytes) -> bytes:
        assert (request, len(argument)) == (number, 4)
        return struct.pack("I", 0b0110)

    monkeypatch.setattr(fcntl, "ioctl", answer)
    assert flags() == 0b0110


def test_a_file_that_is_no_clock_has_no_flags(device: Path) -> None:
    with pytest.raises(NotPossible, match="does not say how its battery is"):
        flags()


@pytest.mark.parametrize(
    ("number", "error", "words"), [(errno.ENOENT, Absent, "there is no"), (errno.EBUSY, NotPossible, "in use")]
)
def test_a_clock_that_cannot_be_opened(
    monkeypatch: pytest.MonkeyPatch, number: int, error: type[Exception], words: str
) -> None:
    def fails(path: str, flags: int) -> int:
        raise OSError(number, os.strerror(number), path)

    monkeypatch.setattr(os, "open", fails)
    with pytest.raises(error, match=words):
        flags()


@pytest.mark.parametrize("name", ["../null", "rtc", "null", ""])
def test_a_clock_name_cannot_be_a_path(name: str) -> None:
    with pytest.raises(Absent, match="no real-time clock"):
        flags(name)


def test_a_recording_offers_neither_network_nor_clocks(tmp_path: Path) -> None:
    """Both would be this machine's own."""
    recording = open_host(f"recorded:{tmp_path}", RealClocks())
    assert clock_of(recording) is None
    with pytest.raises(NotPossible, match="no network"):
        net_of(recording)
    local = open_host("local", RealClocks())
    assert clock_of(local) is not None and net_of(local) is not None
