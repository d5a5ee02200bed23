"""Loads that end by themselves: with their time, with whoever began them, with a link that drops."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from verifier.errors import BenchFault, NotPossible
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts.local import LocalHost
from verifier.gather.hosts.local_load import BURNER
from verifier.gather.hosts.shell_load import ShellLoad, cores_of
from verifier.gather.workers.proxied import ProxiedHost, answered, taken
from verifier.services import CommandResult, load_of

pytestmark = pytest.mark.anyio


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except FileNotFoundError:
        return False


def gone(pids: list[int], within: float = 5.0) -> bool:
    until = time.monotonic() + within
    while any(alive(pid) for pid in pids) and time.monotonic() < until:
        time.sleep(0.02)
    return not any(alive(pid) for pid in pids)


def ticks(pid: int) -> int:
    """utime and stime of a process, in clock ticks: proc(5), fields 14 and 15."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return int(fields[11]) + int(fields[12])


def burning(pids: list[int], within: float = 15.0) -> bool:
    until = time.monotonic() + within
    while not all(ticks(pid) > 4 for pid in pids) and time.monotonic() < until:
        time.sleep(0.02)
    return all(ticks(pid) > 4 for pid in pids)


async def test_one_burner_a_core_until_it_is_stopped() -> None:
    load = LocalHost(RealClocks()).load
    said = await load.start(30.0)
    try:
        burners = [b.pid for b in load._burners]
        assert len(burners) == len(os.sched_getaffinity(0))
        assert said.startswith(f"{len(burners)} burner processes")
        assert burning(burners)
    finally:
        await load.stop()
    assert not any(alive(pid) for pid in burners)
    await load.stop()  # twice does no harm


async def test_a_burner_that_is_lost_is_noticed() -> None:
    """A machine with other work is as busy without it."""
    load = LocalHost(RealClocks()).load
    await load.start(30.0)
    try:
        await load.renew()
        lost = load._burners[-1]
        lost.kill()
        lost.wait()
        with pytest.raises(BenchFault, match="did not hold"):
            await load.renew()
    finally:
        await load.stop()


def test_a_burner_ends_with_its_time() -> None:
    burner = subprocess.Popen([sys.executable, "-I", str(BURNER), str(os.getpid()), "0", "1"])
    assert burner.wait(timeout=20) == -signal.SIGALRM


def test_burners_die_with_whoever_began_them_even_by_sigkill() -> None:
    script = (
        "import anyio, sys, time\n"
        "from verifier.gather.hosts.local_load import LocalLoad\n"
        "load = LocalLoad()\n"
        "anyio.run(load.start, 60.0)\n"
        "print(*[b.pid for b in load._burners], flush=True)\n"
        "time.sleep(60)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    with parent.stdout as said:
        pids = [int(word) for word in said.readline().split()]
    assert pids and burning(pids), "not only born: past looking whether its parent is there"
    parent.kill()
    parent.wait()
    assert gone(pids)


def test_a_burner_whose_parent_is_gone_already_does_nothing() -> None:
    began = time.monotonic()
    assert subprocess.run([sys.executable, "-I", str(BURNER), "1", "0", "60"], timeout=20).returncode == 0
    assert time.monotonic() - began < 15


# ---- over a link -----------------------------------------------------------------------------------


class Ticking(RealClocks):
    """Loop time that the test sets."""

    now = 0.0

    def loop(self) -> float:
        return self.now


class OneCore:
    """The files of a unit with one core."""

    async def read(self, path: str, limit: int = 65_536) -> bytes:
        assert path == "/sys/devices/system/cpu/online"
        return b"0\n"


class Shell:
    """Commands as a unit's login runs them: what goes on in the background is left alone. (On this computer a
    command's whole group is ended with it.)"""

    def __init__(self, instead: str = "") -> None:
        self._instead = instead

    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        words = ("sh", "-c", self._instead) if self._instead else argv
        said = subprocess.run(words, capture_output=True, text=True, timeout=timeout, stdin=subprocess.DEVNULL)
        return CommandResult(argv=argv, exit=said.returncode, stdout=said.stdout)


def shell_load(clocks: RealClocks) -> ShellLoad:
    return ShellLoad(OneCore(), Shell(), clocks)  # type: ignore[arg-type]


def running(group: int) -> list[int]:
    """What of a process group still runs. The dead do not count: an orphan stays until the system's first process
    gets round to it, which takes seconds on some machines."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                fields = (folder / "stat").read_text().rpartition(")")[2].split()
            except (FileNotFoundError, ProcessLookupError):
                continue
            if int(fields[2]) == group and fields[0] not in "ZX":
                found.append(int(folder.name))
    return found


def alone(group: int, within: float = 5.0) -> bool:
    """Whether nothing of a process group runs any more."""
    until = time.monotonic() + within
    while running(group) and time.monotonic() < until:
        time.sleep(0.02)
    return not running(group)


def lasts(pid: int) -> str:
    """Seconds that its timeout was given; the shell may not have become it yet."""
    until = time.monotonic() + 10
    while time.monotonic() < until:
        words = Path(f"/proc/{pid}/cmdline").read_text().split("\0")
        if words[0] == "timeout":
            return words[1]
        time.sleep(0.01)
    return "no timeout"


async def test_shell_loops_run_under_timeout_and_are_ended() -> None:
    load = shell_load(RealClocks())
    await load.start(600.0)
    (pid,) = map(int, load._running)
    assert lasts(pid) == "30"  # no longer than the lease, however long the heating is to last
    await load.stop()
    assert gone([pid])
    assert alone(pid), "its loop is left"


async def test_nothing_is_left_of_a_load_that_is_ended_while_it_begins() -> None:
    """A timeout that is ended between making its loop and knowing of it: once in a hundred times, when busy."""
    load = shell_load(RealClocks())
    for _ in range(30):
        await load.start(600.0)
        (pid,) = map(int, load._running)
        await load.stop()
        assert alone(pid), "its loop is left"


async def test_a_loop_whose_timeout_was_lost_ends_all_the_same() -> None:
    load = shell_load(RealClocks())
    await load.start(2.0)
    (pid,) = map(int, load._running)
    until = time.monotonic() + 10
    while len(running(pid)) < 2 and time.monotonic() < until:
        time.sleep(0.02)
    os.kill(pid, signal.SIGKILL)  # as a kernel short of memory may do
    assert gone([pid]) and running(pid), "the loop goes on alone"
    assert alone(pid, within=20), "nobody but the kernel is left to end it"


async def test_a_lease_is_renewed_by_new_loops_and_the_old_ones_go() -> None:
    clocks = Ticking()
    load = shell_load(clocks)
    await load.start(40.0)
    first = [int(p) for p in load._running]
    clocks.now = 10.0
    await load.renew()
    assert [int(p) for p in load._running] == first  # not due yet
    clocks.now = 16.0
    await load.renew()
    second = [int(p) for p in load._running]
    try:
        assert second != first and gone(first) and all(alive(pid) for pid in second)
        # What is left of the time that was asked for bounds the last lease.
        assert lasts(second[0]) == "24"
        clocks.now = 41.0
        await load.renew()
        assert load._running == [] and gone(second)
    finally:
        await load.stop()


async def test_loops_end_by_themselves_when_nobody_renews_them() -> None:
    load = shell_load(RealClocks())
    await load.start(1.0)
    assert gone([int(p) for p in load._running], within=10)


async def test_a_shell_that_starts_nothing_is_the_benchs_fault() -> None:
    load = ShellLoad(OneCore(), Shell("echo no process id; exit 1"), RealClocks())  # type: ignore[arg-type]
    with pytest.raises(BenchFault, match="did not start the load"):
        await load.start(5.0)


@pytest.mark.parametrize(("online", "count"), [("0", 1), ("0-3\n", 4), ("0-1,4,6-7", 5)])
def test_cores_of_a_list(online: str, count: int) -> None:
    """Linux Documentation/admin-guide/cputopology.rst: lists such as 0-3,6."""
    assert cores_of(online) == count


@pytest.mark.parametrize("online", ["", "0-", "3-1", "0-99999", "0-9999", "0;rm -rf x", "0-3\n0-3"])
def test_a_list_that_is_none_is_refused(online: str) -> None:
    with pytest.raises(NotPossible):
        cores_of(online)


# ---- from a worker ----------------------------------------------------------------------------------


async def test_a_worker_asks_the_station_for_the_load() -> None:
    """Both ends of the wire: what the worker asks for reaches the host that only the station reaches."""
    asked: list[str] = []

    class Unit:
        address, services = "ssh://root@unit", frozenset({"load"})

        class load:  # noqa: N801 - stands for an object
            @staticmethod
            async def start(seconds: float) -> str:
                asked.append(f"start {seconds:g}")
                return "loops"

            @staticmethod
            async def renew() -> None:
                asked.append("renew")

            @staticmethod
            async def stop() -> None:
                asked.append("stop")

    calls: list[tuple[str, list[object]]] = []

    def ask(what: str, arguments: list[object]) -> object:
        calls.append((what, arguments))
        return "loops" if what == "load" else None

    host = ProxiedHost("ssh://root@unit", frozenset({"load"}), RealClocks(), ask)
    load = load_of(host)
    assert await load.start(60.0) == "loops"
    await load.renew()
    await load.stop()
    for what, arguments in calls:
        taken(await answered(Unit(), what, arguments))  # type: ignore[arg-type]
    assert asked == ["start 60", "renew", "stop"]


def test_a_host_without_a_load_says_so(tmp_path: Path) -> None:
    from verifier.gather.hosts import open_host

    with pytest.raises(NotPossible, match="no load"):
        load_of(open_host(f"recorded:{tmp_path}", RealClocks()))
