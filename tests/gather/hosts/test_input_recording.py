"""What an input device reports, taken down: on this computer, over SSH, and as a worker has it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "probes"))
from panel import as_bytes, stroke
from ssh_unit import SshUnit

from verifier.errors import Absent, BenchFault
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import local_input
from verifier.gather.hosts.host_keys import ensure_pinned
from verifier.gather.hosts.input_events import events_of
from verifier.gather.hosts.local import LocalHost
from verifier.gather.hosts.ssh import SshHost
from verifier.gather.workers.proxied import ProxiedHost, answered, taken
from verifier.services import InputEvent

STROKE = stroke([(10, 20), (11, 20)])


@pytest.mark.parametrize("layout", ["<qqHHi", "<IIHHi"])
def test_events_of_64_and_of_32_bit_programs(layout: str) -> None:
    """include/uapi/linux/input.h: struct input_event has two longs before type, code and value."""
    assert events_of(as_bytes(STROKE, layout), "event5") == tuple(STROKE)


def test_dropped_events_are_no_recording() -> None:
    lost = InputEvent(kind=0, code=3, value=0, at=0.0)
    with pytest.raises(BenchFault, match="dropped events of event5"):
        events_of(as_bytes([*STROKE, lost]), "event5")


@given(st.binary(max_size=200))
def test_bytes_are_events_or_refused(data: bytes) -> None:
    try:
        assert len(events_of(data, "event5")) * 16 <= len(data)
    except BenchFault:
        assert data


def test_this_computers_own_device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe stands in for the device's node."""
    node = tmp_path / "event5"
    os.mkfifo(node)
    monkeypatch.setattr(local_input, "node_of", lambda device: str(node))
    device = os.open(node, os.O_RDWR)

    async def recorded() -> tuple[InputEvent, ...]:
        found: list[tuple[InputEvent, ...]] = []

        async def record() -> None:
            found.append(await LocalHost(RealClocks()).input.record("event5", 0.4))

        async with anyio.create_task_group() as group:
            group.start_soon(record)
            await anyio.sleep(0.1)
            os.write(device, as_bytes(STROKE[:3]))
            await anyio.sleep(0.1)
            os.write(device, as_bytes(STROKE[3:]))
        return found[0]

    assert anyio.run(recorded) == tuple(STROKE)
    assert anyio.run(LocalHost(RealClocks()).input.axis, "event5", 0x35) is None  # a pipe has no axes
    os.close(device)


@pytest.mark.parametrize("device", ["event999999", "../mem", "event5 /etc/shadow"])
def test_what_is_no_device_is_absent(device: str) -> None:
    with pytest.raises(Absent):
        anyio.run(LocalHost(RealClocks()).input.record, device, 0.1)


def test_over_ssh_with_nothing_but_cat(tmp_path: Path) -> None:
    """The stand-in for the device gives its bytes and then says nothing more, as a panel does."""
    data = tmp_path / "events"
    data.write_bytes(as_bytes(STROKE))

    async def take(unit: SshUnit) -> None:
        host = SshHost(unit.address, tmp_path / "keys", RealClocks())
        try:
            assert await host.input.record("event5", 0.5) == tuple(STROKE)
            assert await host.input.axis("event5", 0x35) is None
            with pytest.raises(Absent, match="no event device event999999"):
                await host.input.record("event999999", 0.5)
        finally:
            await host.aclose()

    with SshUnit(tmp_path) as unit:
        unit.tool(
            "cat", f'if [ "$1" = /dev/input/event5 ]; then cat {data}; exec sleep 60; else exec cat "$@"; fi'
        )
        unit.let_in(tmp_path / "keys")
        ensure_pinned(tmp_path / "keys", unit.address, given=unit.fingerprint)
        anyio.run(take, unit)


def test_a_worker_has_it_from_the_station() -> None:
    class Unit:
        address, services = "ssh://unit@192.0.2.1", frozenset({"files", "input"})

        @property
        def input(self) -> Unit:
            return self

        async def axis(self, device: str, code: int) -> tuple[int, int]:
            return (0, 4095)

        async def record(self, device: str, seconds: float) -> tuple[InputEvent, ...]:
            return tuple(STROKE)

    def ask(what: str, arguments: list[object]) -> object:
        return taken(anyio.from_thread.run(answered, Unit(), what, arguments))

    async def both() -> tuple[object, object]:
        host = ProxiedHost(Unit.address, Unit.services, RealClocks(), ask)  # type: ignore[arg-type]

        def blocking() -> tuple[object, object]:
            return (
                anyio.run(host.input.axis, "event5", 0x35),
                anyio.run(host.input.record, "event5", 1.0),
            )

        return await anyio.to_thread.run_sync(blocking)

    assert anyio.run(both) == ((0, 4095), tuple(STROKE))
