"""The bench's own ways to the time: right whatever its own clock says, and with bounds that hold."""

from __future__ import annotations

import math
import socket
import struct
import threading
import time
from collections.abc import Iterator

import anyio
import pytest

from verifier.errors import BenchFault, NotPossible
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import bench_time
from verifier.gather.hosts.bench_time import BenchTime
from verifier.gather.peer.words import FourTimes
from verifier.services import Fix

UNIX_EPOCH = 2_208_988_800


class Server:
    """A time server; how late it answers each way, and what it says of itself (RFC 5905, figure 8)."""

    def __init__(self) -> None:
        self.there = self.back = 0.0
        self.dispersion, self.leap = 0.0, 0
        self.line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.line.bind(("127.0.0.1", 0))
        threading.Thread(target=self.serve, daemon=True).start()

    def serve(self) -> None:
        while True:
            try:
                request, client = self.line.recvfrom(1024)
            except OSError:
                return
            time.sleep(self.there)
            now = round((time.time() + UNIX_EPOCH) * 2**32) % 2**64
            first = self.leap << 6 | 0b00_100_100
            spread = round(self.dispersion * 2**16)
            head = (first, 1, 0, -20, 0, spread, 0, 0, struct.unpack("!Q", request[40:48])[0], now, now)
            time.sleep(self.back)
            self.line.sendto(struct.pack("!BBbbIIIQQQQ", *head), client)


@pytest.fixture
def server() -> Iterator[Server]:
    made = Server()
    yield made
    made.line.close()


class Astray(RealClocks):
    """The system time is off, and jumps with every look: somebody sets it all the time."""

    def __init__(self, off: float) -> None:
        super().__init__()
        self.off, self.looks = off, 0

    def wall(self) -> float:
        self.looks += 1
        return max(0.0, super().wall() + self.off) + 1000.0 * self.looks


def fix(server: Server, clocks: RealClocks) -> tuple[Fix, float]:
    """What it says, and by how much that is wrong."""

    async def ask() -> tuple[Fix, float]:
        found = await BenchTime(clocks).network("127.0.0.1", server.line.getsockname()[1])
        return found, found.time + (clocks.loop() - found.at) - time.time()

    return anyio.run(ask)


@pytest.mark.parametrize("off", [0.0, -820_000_000.0, -2e9, 3600.0])
def test_nobodys_system_time_shows(server: Server, off: float) -> None:
    """Right, in 2000, in 1970, an hour ahead; and set again at every look."""
    found, wrong = fix(server, Astray(off))
    bounds = sum(c.u for c in found.contributions) * math.sqrt(3)
    assert abs(wrong) <= bounds + 1e-4
    assert "bench: SNTP, 127.0.0.1" in found.origin


@pytest.mark.parametrize(("there", "back"), [(0.02, 0.0), (0.0, 0.02)])
def test_a_lopsided_way_is_within_its_bounds(server: Server, there: float, back: float) -> None:
    server.there, server.back = there, back
    found, wrong = fix(server, RealClocks())
    assert 0.008 < abs(wrong) <= sum(c.u for c in found.contributions) * math.sqrt(3) + 1e-4


def test_what_the_server_says_of_itself_counts(server: Server) -> None:
    """Root dispersion of 0.25 s as firm bounds: u = a/√3 (RFC 5905, 11.1; JCGM 100, 4.3.7)."""
    server.dispersion = 0.25
    found, _ = fix(server, RealClocks())
    assert found.contributions[1].u == pytest.approx(0.25 / math.sqrt(3), rel=1e-3)


def test_a_server_that_has_no_time_gives_none(server: Server) -> None:
    server.leap = 3
    with pytest.raises(BenchFault, match="has no time itself"):
        fix(server, RealClocks())


def test_a_name_that_leads_nowhere() -> None:
    async def ask() -> None:
        await BenchTime(RealClocks()).network("time.invalid", 123)

    with pytest.raises(NotPossible, match="leads to no address"):
        anyio.run(ask)


@pytest.mark.parametrize("backend", ["asyncio", "trio"])
def test_the_far_end_by_the_quickest_exchange(monkeypatch: pytest.MonkeyPatch, backend: str) -> None:
    class FarEnd:
        where = "far end bench"
        delays: tuple[float, ...] = (0.08, 0.002, 0.05)

        def __init__(self, wall: object) -> None:
            self.wall, self.asked = wall, 0

        async def time(self) -> FourTimes:
            delay = self.delays[self.asked % 3]
            self.asked += 1
            # As the real one: in a thread, which has no loop.
            t1, now = await anyio.to_thread.run_sync(self.wall), time.time()  # type: ignore[arg-type]
            return FourTimes(t1=t1, t2=now + delay / 2, t3=now + delay / 2, t4=t1 + delay)

        async def aclose(self) -> None: ...

    class Net:
        def __init__(self, clocks: RealClocks) -> None:
            self.clocks = clocks

        async def far_end(self, name: str) -> FarEnd:
            return FarEnd(self.clocks.wall)

    monkeypatch.setattr(bench_time, "LocalNet", Net)
    clocks = Astray(-2e9)

    async def ask() -> tuple[Fix, float]:
        found = await BenchTime(clocks).peer("bench")
        return found, found.time + (clocks.loop() - found.at) - time.time()

    found, wrong = anyio.run(ask, backend=backend)
    assert abs(wrong) < 0.003
    assert found.contributions[0].u == pytest.approx(0.001 / math.sqrt(3), rel=0.01)
