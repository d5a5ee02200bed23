"""The real-time clock, and the unit's system time held against a time server."""

import math
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.probes.network_time import difference, request, sample, timestamp
from verifier.gather.workers import run_probe
from verifier.readings import Reading
from verifier.services import Exchange

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]
RTC = "sys/class/rtc/rtc0"
RECORDED: dict[str, str | bytes] = {
    f"{RTC}/since_epoch": "1222655451\n",
    f"{RTC}/date": "2008-09-29\n",
    f"{RTC}/time": "02:30:51\n",
    f"{RTC}/name": "rtc_cmos\n",
}
"""Values of a real laptop of 2008."""


def values(found: dict[str, Any]) -> dict[str, object]:
    return {name: reading.value for name, reading in found.items()}


def take(probe: str, host: Any, **settings: object) -> dict[str, Reading]:
    async def collect() -> dict[str, Reading]:
        return {r.name: r async for r in run_probe(load_catalogue().probe(probe), host, settings)}

    return anyio.run(collect)


def test_a_recording_stands_still(read: Read, grow: Grow) -> None:
    """since_epoch is in UTC (Documentation/ABI/testing/sysfs-class-rtc): here it equals date and time."""
    found = values(read("clock.rtc", grow(RECORDED)))
    assert found == {"clock": "rtc_cmos", "valid": True, "time": "2008-09-29T02:30:51Z"}


@pytest.mark.parametrize("lost", ["", "99999999999999999", "soon", '"EINVAL"'])
def test_a_clock_that_knows_its_time_to_be_lost(read: Read, grow: Grow, lost: str) -> None:
    """Drivers answer EINVAL once the clock has stopped (drivers/rtc/interface.c, rtc_read_time; from memory)."""
    errors = f'{{"/{RTC}/since_epoch": {lost}}}' if lost.startswith('"') else "{}"
    tree = {**RECORDED, f"{RTC}/since_epoch": f"{lost}\n", "errors.json": errors}
    assert values(read("clock.rtc", grow(tree))) == {"clock": "rtc_cmos", "valid": False}


def test_no_clock(read: Read, hardware: Path) -> None:
    with pytest.raises(Absent, match="no real-time clock rtc0"):
        read("clock.rtc", hardware / "server")
    with pytest.raises(NotPossible, match="over recorded: it needs clock"):
        read("clock.battery", hardware / "server")


@dataclass
class Unit:
    """A unit with a clock of its own: time passes only as its probe sleeps, and a little with each look."""

    ahead: float
    stands: bool = False
    flags: int | Exception = 0
    address: str = "elsewhere"
    services: frozenset[str] = frozenset({"files", "clock"})
    now: float = 1_700_000_000.25
    slept: list[float] = field(default_factory=list)

    @property
    def files(self) -> Any:
        async def read(path: str, limit: int = 0) -> bytes:
            if path.endswith("name"):
                return b"invented\n"
            # Reading takes its time, and what is read is from somewhere in between.
            self.now += 0.004
            shown = (1_700_000_000 if self.stands else self.now) + self.ahead
            self.now += 0.004
            return b"%d\n" % shown

        async def exists(path: str) -> bool:
            return True

        return SimpleNamespace(read=read, exists=exists)

    @property
    def clocks(self) -> Any:
        async def sleep(seconds: float) -> None:
            self.slept.append(seconds)
            self.now += seconds

        def never() -> float:
            raise AssertionError("the bench's own wall time is not the unit's")

        return SimpleNamespace(sleep=sleep, loop=lambda: self.now, wall=never)

    @property
    def clock(self) -> Any:
        async def rtc_flags(name: str) -> int:
            if isinstance(self.flags, Exception):
                raise self.flags
            return self.flags

        return SimpleNamespace(wall=lambda: self.now, rtc_flags=rtc_flags)


@pytest.mark.parametrize("ahead", [0.0, 0.4, -0.4, 3600.0, -7.123, 86400.75, *(n / 1000 for n in range(20))])
def test_how_far_the_clock_is_ahead_is_found_at_its_next_second(ahead: float) -> None:
    """True to the step between two looks although the clock shows whole seconds; that step is the uncertainty."""
    unit = Unit(ahead)
    found = take("clock.rtc", unit)
    reading = found["ahead"]
    (contribution,) = reading.contributions
    half = contribution.u * math.sqrt(3)
    assert found["runs"].value is True and 0 < half < 0.02
    assert abs(float(reading.value) - ahead) <= half + 1e-6


def test_a_clock_that_stands_is_waited_for_only_so_long() -> None:
    unit = Unit(0.0, stands=True)
    found = take("clock.rtc", unit)
    assert found["runs"].value is False and "ahead" not in found
    assert sum(unit.slept) < 3


def test_voltage_flags() -> None:
    """Bits 0 to 3 of RTC_VL_READ (include/uapi/linux/rtc.h)."""
    found = take("clock.battery", Unit(0.0, flags=0b0110))
    assert {n: r.value for n, r in found.items()} == {
        "invalid": False,
        "battery_low": True,
        "battery_empty": True,
        "inaccurate": False,
    }
    with pytest.raises(NotPossible, match="does not say"):
        take("clock.battery", Unit(0.0, flags=NotPossible("it does not say")))


def test_timestamps_across_eras() -> None:
    """RFC 5905, figure 4: 1 January 1970 is 2,208,988,800; era 1 begins on 7 February 2036 at 06:28:16 UTC."""
    assert timestamp(0.0) == 2_208_988_800 << 32
    start_of_era_1 = 2_085_978_496.0
    assert timestamp(start_of_era_1) == 0
    assert difference(timestamp(start_of_era_1 + 1), timestamp(start_of_era_1 - 1)) == 2.0


def answer(token: bytes, t2: float, t3: float, **changes: int) -> bytes:
    given = {"first": 0b00_100_100, "stratum": 2, "delay": 0x0000_8000, "dispersion": 0x0000_4000, **changes}
    return struct.pack(
        "!BBbbIII8s8sQQ", given["first"], given["stratum"], 6, -20, given["delay"], given["dispersion"], 0,
        bytes(8), token, timestamp(t2), timestamp(t3),
    )  # fmt: skip


TOKEN = b"12345678"


def test_offset_and_delay() -> None:
    """RFC 5905, section 8: T1 100.0, T2 105.1, T3 105.2, T4 100.5 give θ = (5.1 + 4.7)/2 and δ = 0.5 - 0.1."""
    exchange = Exchange(answer=answer(TOKEN, 1e9 + 105.1, 1e9 + 105.2), sent=1e9 + 100.0, received=1e9 + 100.5)
    found = sample(exchange, TOKEN)
    assert (found.offset, found.delay) == (pytest.approx(4.9, abs=1e-6), pytest.approx(0.4, abs=1e-6))
    # 0x8000 and 0x4000 are 0.5 s and 0.25 s in 16.16 bits: 0.5 / 2 + 0.25.
    assert found.root == 0.5 and found.stratum == 2


@given(
    start=st.floats(0, 4e9),
    offset=st.floats(-1e6, 1e6),
    out=st.floats(0, 2),
    back=st.floats(0, 2),
    busy=st.floats(0, 1),
)
def test_the_true_offset_lies_within_half_the_delay(
    start: float, offset: float, out: float, back: float, busy: float
) -> None:
    t2 = start + out + offset
    exchange = Exchange(answer=answer(TOKEN, t2, t2 + busy), sent=start, received=start + out + busy + back)
    found = sample(exchange, TOKEN)
    assert abs(found.offset - offset) <= found.delay / 2 + 1e-5


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"stratum": 0}, "refuses to serve"),
        ({"first": 0b11_100_100}, "no time itself"),
        ({"stratum": 16}, "no time itself"),
        ({"first": 0b00_100_011}, "did not answer as a server"),
    ],
)
def test_answers_that_are_no_time(changes: dict[str, int], words: str) -> None:
    """RFC 5905, 7.3: mode 4 is a server, leap 3 and stratum 16 not synchronised, stratum 0 a kiss-o'-death."""
    with pytest.raises(ValueError, match=words):
        sample(Exchange(answer=answer(TOKEN, 1e9, 1e9, **changes), sent=1e9, received=1e9 + 1), TOKEN)


def test_a_round_trip_too_short_for_the_clocks_is_clamped() -> None:
    """RFC 5905, section 8: a delay below the precision is taken for the precision, and is no error."""
    exchange = Exchange(answer=answer(TOKEN, 1e9, 1e9 + 0.1), sent=1e9, received=1e9 + 0.0999)
    assert sample(exchange, TOKEN).delay == 1e-6


def test_answers_to_another_request_or_cut_short() -> None:
    whole = answer(TOKEN, 1e9, 1e9)
    with pytest.raises(ValueError, match="another request"):
        sample(Exchange(answer=whole, sent=1e9, received=1e9 + 1), b"87654321")
    with pytest.raises(ValueError, match="cut short"):
        sample(Exchange(answer=whole[:47], sent=1e9, received=1e9 + 1), TOKEN)
    with pytest.raises(ValueError, match="was set while"):
        sample(Exchange(answer=whole, sent=1e9, received=1e9 - 1), TOKEN)


def test_the_request_is_a_version_4_client_and_hides_the_time() -> None:
    assert len(request(TOKEN)) == 48 and request(TOKEN)[0] == 0x23 and request(TOKEN)[40:] == TOKEN


@pytest.fixture
def server() -> Iterator[tuple[int, dict[str, Any]]]:
    """A time server on the loopback that is 30 s ahead and slow with every answer but the third."""
    import time

    told: dict[str, Any] = {"seen": 0, "stratum": 3, "silent": False}
    line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    line.bind(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            packet, sender = line.recvfrom(1000)
            if packet == b"stop":
                return
            told["seen"] += 1
            if told["silent"]:
                continue
            now = time.time() + 30
            if told["seen"] != 3:
                time.sleep(0.02)
            line.sendto(answer(packet[40:48], now, now, stratum=told["stratum"]), sender)

    thread = threading.Thread(target=serve)
    thread.start()
    yield line.getsockname()[1], told
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.sendto(b"stop", ("127.0.0.1", line.getsockname()[1]))
    thread.join()
    line.close()


def test_a_server_on_the_loopback(server: tuple[int, dict[str, Any]]) -> None:
    port, told = server
    found = take("clock.network", open_host("local", RealClocks()), server="localhost", port=port, samples=4)
    assert (told["seen"], found["answers"].value, found["stratum"].value) == (4, 4, 3)
    ahead, delay = float(found["ahead"].value), float(found["delay"].value)
    bounds = [c.u * math.sqrt(3) for c in found["ahead"].contributions]
    assert bounds[0] == pytest.approx(delay / 2) and bounds[1] == pytest.approx(0.5)
    assert abs(ahead + 30) <= bounds[0] + 1e-4


def test_a_server_that_refuses_or_is_not_there_is_never_blamed_on_the_unit(
    server: tuple[int, dict[str, Any]],
) -> None:
    port, told = server
    told["stratum"] = 0
    with pytest.raises(BenchFault, match="gives no time: it refuses to serve"):
        take("clock.network", open_host("local", RealClocks()), server="127.0.0.1", port=port, samples=1)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        closed = free.getsockname()[1]
    with pytest.raises(BenchFault, match="it does not answer"):
        take("clock.network", open_host("local", RealClocks()), server="127.0.0.1", port=closed, samples=1)
