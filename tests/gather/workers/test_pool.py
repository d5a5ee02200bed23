"""A probe cannot take the bench down: workers under deadline, crash, flood and nonsense."""

import signal
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable
from contextlib import aclosing
from pathlib import Path
from typing import Any

import anyio
import pytest

from verifier.errors import Absent, BenchFault, NotPossible, VerifierError
from verifier.gather.catalogue import load_catalogue
from verifier.gather.workers import WorkerPool
from verifier.readings import ProbeDeclaration, Reading

pytestmark = pytest.mark.usefixtures("unruly")
BACKENDS = pytest.mark.parametrize("backend", ["asyncio", "trio"])


def declaration() -> ProbeDeclaration:
    found = load_catalogue().declaration("unruly")
    assert found is not None
    return found


class Bench:
    """A pool and the readings that came before whatever ended the take."""

    def __init__(self, pool: WorkerPool) -> None:
        self.pool, self.declaration = pool, declaration()

    async def take(self, how: str, *, file: Path | None = None, deadline: float = 20.0) -> dict[str, Any]:
        settings = {"how": how, "file": str(file or "")}
        self.before: list[str] = []
        found: dict[str, Any] = {}
        readings = self.pool.take("unruly", settings, "local", declaration=self.declaration, deadline=deadline)
        async for reading in readings:
            self.before.append(reading.name)
            found[reading.name] = reading
        return found

    async def fault(self, how: str, **named: Any) -> str:
        with pytest.raises(BenchFault) as caught:
            await self.take(how, **named)
        assert "Traceback" not in str(caught.value) and len(str(caught.value)) < 1000
        return caught.value.what

    async def leave(self, how: str, file: Path) -> None:
        """Go away in the middle of a take, once the probe has noted at least two processes."""
        async with anyio.create_task_group() as tasks:
            tasks.start_soon(lambda: self.take(how, file=file, deadline=60.0))
            with anyio.fail_after(30):
                while not file.exists() or len(noted(file)) < 2:
                    await anyio.sleep(0.01)
            tasks.cancel_scope.cancel()

    async def pid(self) -> int:
        return int((await self.take("pid"))["word"].value)


def on_bench(work: Callable[[Bench], Awaitable[None]], backend: str = "asyncio") -> None:
    """Run `work` with a pool; nothing the workers started may be left afterwards."""
    workers: set[int] = set()

    async def run() -> None:
        async with WorkerPool() as pool:
            bench = Bench(pool)
            await work(bench)
            workers.update(worker.pid for worker in pool._workers)

    anyio.run(run, backend=backend)
    assert workers and not [pid for pid in workers if alive(pid)]
    wait_until(lambda: still_running() == [])


def still_running() -> list[int]:
    """Workers of this test and whatever they forked: their command line holds this test's own folder, which no
    other process on this machine has there. One that was ended may need a moment to go: whoever asks waits."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            line = (entry / "cmdline").read_bytes()
        except OSError:
            continue
        if sys.path[0].encode() in line and b"verifier.gather.workers" in line and alive(int(entry.name)):
            found.append(int(entry.name))
    return found


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def noted(file: Path) -> list[int]:
    return [int(line) for line in file.read_text().split()]


@BACKENDS
def test_a_worker_serves_one_check_after_another(backend: str) -> None:
    async def work(bench: Bench) -> None:
        first = await bench.pid()
        assert [await bench.pid() for _ in range(5)] == [first] * 5
        with pytest.raises(Absent) as absent:
            await bench.take("absent")
        assert (absent.value.what, absent.value.where, absent.value.to_do) == ("no such part", "here", "Fit one.")
        assert bench.before == ["heat"]
        with pytest.raises(NotPossible, match="needs the lamp on"):
            await bench.take("not-possible")
        assert await bench.pid() == first

    on_bench(work, backend)


def test_readings_arrive_whole() -> None:
    async def work(bench: Bench) -> None:
        found = await bench.take("series")
        assert found["heat"] == Reading(name="heat", value=21.5, unit="Cel")
        assert found["chain_0"].series.values == tuple(float(i) for i in range(6000))

    on_bench(work)


def test_checks_at_the_same_time_have_a_worker_each() -> None:
    async def work(bench: Bench) -> None:
        pids = []

        async def one() -> None:
            pids.append(await Bench(bench.pool).pid())

        async with anyio.create_task_group() as tasks:
            for _ in range(3):
                tasks.start_soon(one)
        assert len(set(pids)) == 3

    on_bench(work)


@BACKENDS
def test_past_the_deadline_the_probe_is_ended_and_the_next_check_runs(backend: str) -> None:
    async def work(bench: Bench) -> None:
        for how in ("hang", "wait"):
            assert "was not done after 0.3 s" in await bench.fault(how, deadline=0.3)
        assert await bench.pid()

    on_bench(work, backend)


@pytest.mark.parametrize("how", ["stubborn", "hopping"])
def test_no_descendant_survives(tmp_path: Path, how: str) -> None:
    """Twice forked, in sessions of their own, deaf to SIGTERM; and processes that fork on all the time."""
    file = tmp_path / "pids"

    async def work(bench: Bench) -> None:
        await bench.leave(how, file)
        assert not [pid for pid in noted(file) if alive(pid)]

    on_bench(work)


def test_what_a_probe_leaves_behind_is_ended_though_it_succeeded(tmp_path: Path) -> None:
    file = tmp_path / "pids"

    async def work(bench: Bench) -> None:
        first = await bench.pid()
        assert "heat" in await bench.take("leave-behind", file=file)
        assert not [pid for pid in noted(file) if alive(pid)]
        assert await bench.pid() != first

    on_bench(work)


@BACKENDS
def test_a_consumer_that_goes_away_takes_the_probe_with_it(tmp_path: Path, backend: str) -> None:
    async def work(bench: Bench) -> None:
        file = tmp_path / "cancelled"
        await bench.leave("stubborn", file)
        assert not [pid for pid in noted(file) if alive(pid)]
        first = await bench.pid()
        readings = bench.pool.take("unruly", {}, "local", declaration=bench.declaration, deadline=5.0)
        async with aclosing(readings) as early:  # type: ignore[type-var]
            async for _ in early:
                break
        assert await bench.pid() != first

    on_bench(work, backend)


def test_a_process_that_dies_is_told_in_words() -> None:
    async def work(bench: Bench) -> None:
        segfault = await bench.fault("segfault")
        assert "Segmentation fault" in segfault and "last words: about to fall" in segfault
        assert "exit code 7" in await bench.fault("exit")
        assert "SystemExit" in await bench.fault("sys-exit")
        broke = await bench.fault("exception")
        assert "broke down: RuntimeError: lamp" in broke
        assert await bench.fault("fault") == "the fixture is open"
        for how, to_do in (("fault", "Close it."), ("advice", "Write it anew.")):
            with pytest.raises(BenchFault) as advised:
                await bench.take(how)
            assert advised.value.to_do == to_do, how
        assert "no reading" in await bench.fault("nothing")
        assert await bench.pid()

    on_bench(work)


def test_floods_are_stopped() -> None:
    async def work(bench: Bench) -> None:
        assert "more than 1000 readings" in await bench.fault("flood")
        assert "more than can be kept" in await bench.fault("long")
        assert "unruly" in await bench.fault("endless")
        assert "no reading" in await bench.fault("garble")
        assert await bench.pid()

    on_bench(work)


def test_what_a_probe_prints_harms_nothing() -> None:
    async def work(bench: Bench) -> None:
        assert (await bench.take("noise"))["word"].value == "heard"

    on_bench(work)


NONSENSE = {
    "wrong-nan": "heat as nan, which is no finite number",
    "wrong-infinite": "heat as -inf, which is no finite number",
    "wrong-huge": "beyond 2^53",
    "wrong-unit": "heat in 'K', declared in 'Cel'",
    "wrong-kind": "heat as 'warm', declared as a number",
    "wrong-yes": "heat as True, declared as a number",
    "wrong-text": "word as 3, declared as text",
    "wrong-surrogate": "cannot be written",
    "wrong-closed": "closed as 1, declared as yes or no",
    "wrong-name": "'cold' that it does not declare",
    "wrong-family": "that it does not declare",
    "wrong-twice": "heat twice",
    "wrong-missing": "did not give heat",
    "wrong-uncertainty": "uncertainty of heat",
    "wrong-samples": "samples of heat",
}


def test_nonsense_is_a_fault_of_the_bench_and_says_what_was_wrong() -> None:
    async def work(bench: Bench) -> None:
        for how, words in NONSENSE.items():
            assert words in await bench.fault(how), how

    on_bench(work)


def test_settings_and_hosts_that_cannot_be_used_are_faults() -> None:
    async def work(bench: Bench) -> None:
        for settings, host in (({"colour": 1}, "local"), ({}, "recorded:/nowhere"), ({"how": object()}, "local")):
            with pytest.raises(BenchFault):
                async for _ in bench.pool.take(
                    "unruly", settings, host, declaration=bench.declaration, deadline=9.0
                ):
                    pass

    on_bench(work)


def test_time_that_the_caller_takes_is_not_the_probes() -> None:
    async def work(bench: Bench) -> None:
        taken = []
        async for reading in bench.pool.take("unruly", {}, "local", declaration=bench.declaration, deadline=0.8):
            taken.append(reading.name)
            await anyio.sleep(0.9)
        assert taken == ["heat"]

    on_bench(work)


STATION = """
import sys, anyio
sys.path[:] = {path!r}
from verifier.gather.catalogue import load_catalogue
from verifier.gather.workers import WorkerPool

async def main():
    async with WorkerPool() as pool:
        declaration = load_catalogue().declaration("unruly")
        settings = {{"how": "stubborn", "file": {file!r}}}
        async for _ in pool.take("unruly", settings, "local", declaration=declaration, deadline=60.0):
            print(*[worker.pid for worker in pool._workers], flush=True)

anyio.run(main, backend={backend!r})
"""


@BACKENDS
def test_a_station_that_is_killed_leaves_nothing(tmp_path: Path, backend: str) -> None:
    file = tmp_path / "pids"
    script = STATION.format(path=sys.path, file=str(file), backend=backend)
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as station:
        assert station.stdout is not None
        pids = [int(word) for word in station.stdout.readline().split()]
        wait_until(lambda: file.exists() and len(noted(file)) == 2)
        pids += noted(file)
        assert len(pids) == 4 and all(alive(pid) for pid in pids)
        station.send_signal(signal.SIGKILL)
        station.wait()
    wait_until(lambda: not [pid for pid in pids if alive(pid)])


def wait_until(reached: Callable[[], bool]) -> None:
    until = time.monotonic() + 60
    while not reached():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.005)


def test_a_broken_plugin_is_named_when_no_worker_can_start(tmp_path: Path) -> None:
    async def work(bench: Bench) -> None:
        (tmp_path / "site/unruly.py").write_text("raise ImportError('no lamp')\n")
        await bench.pool._end(bench.pool._idle[0])
        with pytest.raises(VerifierError, match=r"unruly-probes.*no lamp"):
            await bench.take("pid")

    async def run() -> None:
        async with WorkerPool() as pool:
            await work(Bench(pool))

    anyio.run(run)
