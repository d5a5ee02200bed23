"""Event devices of this computer: what a pipe in their place gives, and the lock on the power key."""

import errno
import os
import stat
import struct
from collections.abc import Iterator
from pathlib import Path

import anyio
import pytest

from verifier.errors import Absent, BenchFault
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.hosts.local_buttons import LocalButtons
from verifier.services import KeyEvent, buttons_of

POWER = frozenset({116})
BACKENDS = pytest.mark.parametrize("backend", ["asyncio", "trio"])


def event(kind: int, code: int, value: int, at: float = 7.25) -> bytes:
    """struct input_event of include/uapi/linux/input.h, in this machine's own form."""
    return struct.pack("@LLHHi", int(at), int(at % 1 * 1e6), kind, code, value)


class Device:
    def __init__(self, path: Path) -> None:
        os.mkfifo(path)
        self.fd = os.open(path, os.O_RDWR)

    def gives(self, data: bytes) -> None:
        os.write(self.fd, data)

    def goes(self) -> None:
        os.close(self.fd)
        self.fd = -1


@pytest.fixture
def devices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, Device]]:
    """event3 and event4 are pipes; no command can be found, so no lock either."""
    made = {name: Device(tmp_path / name) for name in ("event3", "event4")}
    real = os.open

    def opened(path: str, flags: int, *more: int, **named: int) -> int:
        name = Path(path).name
        return real(tmp_path / name if str(path) == f"/dev/input/{name}" else path, flags, *more, **named)

    monkeypatch.setattr(os, "open", opened)
    monkeypatch.setenv("PATH", str(tmp_path / "bin"))
    yield made
    for device in made.values():
        if device.fd >= 0:
            os.close(device.fd)


def watch(devices: dict[str, Device], *given: bytes, backend: str = "asyncio") -> list[KeyEvent]:
    async def collect() -> list[KeyEvent]:
        found = []
        async with LocalButtons(RealClocks()).watch(list(devices), POWER) as keys:
            for data in given:
                devices["event3"].gives(data)
            while (one := await keys.next(0.05)) is not None:
                found.append(one)
        return found

    return anyio.run(collect, backend=backend)


@BACKENDS
def test_presses_are_read_from_the_bytes_of_the_kernel(devices: dict[str, Device], backend: str) -> None:
    sync = event(0, 0, 0)
    found = watch(devices, event(1, 116, 1) + sync, event(1, 116, 0, at=7.5) + sync, backend=backend)
    assert [(e.device, e.code, e.value, e.at) for e in found] == [
        ("event3", 116, 1, 7.25),
        ("event3", 116, 0, 7.5),
    ]


def test_other_keys_and_kinds_are_none_of_ours(devices: dict[str, Device]) -> None:
    assert watch(devices, event(1, 30, 1) + event(4, 4, 116) + event(2, 116, 1)) == []


def test_lost_events_are_said_rather_than_counted_as_missed(devices: dict[str, Device]) -> None:
    with pytest.raises(BenchFault, match="dropped events of event3"):
        watch(devices, event(0, 3, 0))
    with pytest.raises(BenchFault, match="part of an event"):
        watch(devices, event(1, 116, 1)[:10])


def test_a_device_that_goes_away_while_it_is_watched(devices: dict[str, Device]) -> None:
    async def lose() -> None:
        async with LocalButtons(RealClocks()).watch(["event3", "event4"], POWER) as keys:
            devices["event4"].goes()
            await keys.next(5.0)

    with pytest.raises(Absent, match="event4 went away"):
        anyio.run(lose)


@pytest.mark.parametrize("name", ["../../etc/passwd", "event", "mouse0", "event99"])
def test_only_event_devices_that_are_there(devices: dict[str, Device], name: str) -> None:
    async def enter() -> None:
        async with LocalButtons(RealClocks()).watch([name], POWER):
            pass

    with pytest.raises(Absent, match="event device"):
        anyio.run(enter)


def held_back() -> str:
    async def look() -> str:
        async with LocalButtons(RealClocks()).watch(["event3"], POWER) as keys:
            return keys.held_back

    return anyio.run(look)


def test_without_grab_and_lock_nothing_holds_the_system_back(devices: dict[str, Device]) -> None:
    assert held_back() == ""  # a pipe refuses EVIOCGRAB, and there is no systemd-inhibit


@BACKENDS
def test_the_lock_is_taken_first_and_given_back(devices: dict[str, Device], tmp_path: Path, backend: str) -> None:
    note = tmp_path / "note"
    tool = tmp_path / "bin/systemd-inhibit"
    tool.parent.mkdir()
    tool.write_text(
        f"""#!/bin/bash
PATH=/usr/bin:/bin
echo "took $1 $2" > {note}
while [ "$1" != sh ]; do shift; done
trap 'kill $!; echo gave >> {note}; exit' TERM
"$@" <&0 & wait
echo gave >> {note}
"""
    )
    tool.chmod(stat.S_IRWXU)

    async def look() -> tuple[str, str]:
        async with LocalButtons(RealClocks()).watch(["event3"], POWER) as keys:
            return keys.held_back, note.read_text()

    words, during = anyio.run(look, backend=backend)
    assert words == "systemd-inhibit"
    assert during == "took --what=handle-power-key --mode=block\n"
    assert note.read_text().splitlines()[-1] == "gave"


def test_a_lock_that_is_refused_holds_nothing(devices: dict[str, Device], tmp_path: Path) -> None:
    tool = tmp_path / "bin/systemd-inhibit"
    tool.parent.mkdir()
    tool.write_text("#!/bin/sh\nexit 1\n")
    tool.chmod(stat.S_IRWXU)
    assert held_back() == ""


def test_a_button_that_may_not_be_read(devices: dict[str, Device], monkeypatch: pytest.MonkeyPatch) -> None:
    def refuses(path: str, flags: int) -> int:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), path)

    monkeypatch.setattr(os, "open", refuses)
    with pytest.raises(PermissionError):
        held_back()


def test_only_this_computer_offers_buttons(tmp_path: Path) -> None:
    from verifier.errors import NotPossible

    assert buttons_of(open_host("local", RealClocks()))
    with pytest.raises(NotPossible, match="no buttons"):
        buttons_of(open_host(f"recorded:{tmp_path}", RealClocks()))
