"""Virtual time: it jumps where nobody waits for the real world, and is held where somebody does."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import threading
from collections.abc import Awaitable, Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

import anyio
import anyio.to_thread
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import BenchFault
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks, moment
from verifier.gather.hosts.local import LocalCommands
from verifier.gather.journal import Journal, read
from verifier.gather.prompts.terminal import PlainScreen, Terminal
from verifier.gather.virtual_time import VirtualClocks, backend_options, hold
from verifier.gather.workers import WorkerPool
from verifier.readings import Moment

T = TypeVar("T")
TEN_HOURS = 36_000.0
SERVER = Path(__file__).parents[1] / "reference" / "hardware" / "server"


def run(function: Callable[[VirtualClocks], Awaitable[T]], **options: Any) -> T:
    clocks = VirtualClocks(seed=7, **options)
    return anyio.run(function, clocks, backend_options=backend_options(clocks))


def test_a_dwell_of_ten_hours_takes_no_time() -> None:
    # Not timed: were it real, this test would not end.
    async def main(clocks: VirtualClocks) -> float:
        await clocks.sleep(TEN_HOURS)
        return clocks.loop()

    assert run(main) == TEN_HOURS


def test_a_year_in_steps_of_a_day_and_more() -> None:
    async def main(clocks: VirtualClocks) -> float:
        for _ in range(73):
            await clocks.sleep(5 * 86_400)
        return clocks.boot()

    assert run(main) == pytest.approx(365 * 86_400)


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=20))
def test_all_sleepers_wake_at_their_moment_and_in_order(delays: list[float]) -> None:
    async def main(clocks: VirtualClocks) -> list[tuple[float, float]]:
        woken: list[tuple[float, float]] = []

        async def sleeper(delay: float) -> None:
            await clocks.sleep(delay)
            woken.append((delay, clocks.loop()))

        async with anyio.create_task_group() as group:
            for delay in delays:
                group.start_soon(sleeper, delay)
        return woken

    woken = run(main)
    assert len(woken) == len(delays)
    # The loop wakes what is due within its clock's resolution (a nanosecond) together.
    assert all(now == pytest.approx(delay, abs=2e-9) for delay, now in woken)


def test_the_three_clocks_say_the_same() -> None:
    async def main(clocks: VirtualClocks) -> tuple[float, float, float]:
        before = clocks.loop(), clocks.boot(), clocks.wall()
        await clocks.sleep(TEN_HOURS)
        after = clocks.loop(), clocks.boot(), clocks.wall()
        loop, boot, wall = (b - a for a, b in zip(before, after, strict=True))
        return loop, boot, wall

    assert run(main, began=1_764_000_000.0) == (TEN_HOURS, TEN_HOURS, TEN_HOURS)


def test_the_boot_id_says_that_time_is_simulated_and_from_which_seed() -> None:
    assert VirtualClocks(seed=7).boot_id() == "simulated-7"
    assert not RealClocks().boot_id().startswith("simulated-")


def test_after_a_resume_time_goes_on_from_the_last_moment() -> None:
    clocks = VirtualClocks(seed=7, began=1_764_000_000.1234567)
    first = moment(clocks)

    async def dwell() -> Moment:
        await clocks.sleep(TEN_HOURS + 0.25)
        return moment(clocks)

    last = anyio.run(dwell, backend_options=backend_options(clocks))
    assert moment(VirtualClocks.after(7, first, last)) == last


def test_a_real_process_of_a_third_of_a_second_is_not_late_for_a_deadline_of_forty() -> None:
    async def main(clocks: VirtualClocks) -> tuple[int, float]:
        result = await LocalCommands().run("sleep", "0.3", timeout=40.0)
        return result.exit, clocks.loop()

    code, now = run(main)
    assert code == 0
    assert 0.2 < now < 40, "while a process runs, time goes as it really does"


def test_a_worker_process_is_given_real_time_to_start_and_to_answer() -> None:
    declaration = load_catalogue().declaration("ethernet.link")
    assert declaration is not None

    async def main(clocks: VirtualClocks) -> list[str]:
        async with WorkerPool() as pool:
            settings, at = {"interface": "eth0"}, f"recorded:{SERVER}"
            readings = pool.take("ethernet.link", settings, at, declaration=declaration, deadline=40.0)
            return [reading.name async for reading in readings]

    assert "speed" in run(main)


def test_without_a_hold_that_process_would_be_declared_late_at_once() -> None:
    """Why holds exist: the clock cannot know that somebody waits for the real world."""

    async def main(clocks: VirtualClocks) -> bool:
        process = subprocess.Popen(["sleep", "0.3"], stdout=subprocess.PIPE)
        assert process.stdout is not None
        try:
            with anyio.move_on_after(40) as scope:
                await anyio.wait_readable(process.stdout)
        finally:
            process.kill()
            process.communicate()
        return scope.cancelled_caught

    assert run(main)


def test_a_real_process_that_hangs_does_meet_its_deadline() -> None:
    async def main(clocks: VirtualClocks) -> None:
        await LocalCommands().run("sleep", "60", timeout=0.1)

    with pytest.raises(BenchFault, match=r"did not end within 0\.1 s"):
        run(main)


def test_who_waits_for_a_thread_holds_the_clock() -> None:
    async def main(clocks: VirtualClocks) -> tuple[bool, float]:
        ready = threading.Event()
        threading.Timer(0.1, ready.set).start()
        with anyio.move_on_after(40) as scope, hold():
            await anyio.to_thread.run_sync(ready.wait)
        return scope.cancelled_caught, clocks.loop()

    assert run(main) == (False, 0.0)


@pytest.fixture
def pipe() -> Any:
    ends = os.pipe()
    yield ends
    for end in ends:
        with suppress(OSError):
            os.close(end)


def later(end: int, seconds: float = 0.1) -> None:
    threading.Timer(seconds, os.write, (end, b"x")).start()


def test_while_the_clock_is_held_no_dwell_goes_on(pipe: tuple[int, int]) -> None:
    async def main(clocks: VirtualClocks) -> tuple[float, float]:
        async with anyio.create_task_group() as group:
            group.start_soon(clocks.sleep, TEN_HOURS)
            await anyio.sleep(5)
            later(pipe[1])
            with hold():
                await anyio.wait_readable(pipe[0])
            held = clocks.loop()
        return held, clocks.loop()

    assert run(main) == (5.0, TEN_HOURS)


def test_a_held_clock_can_run_at_a_stated_rate_and_the_slowest_hold_counts(pipe: tuple[int, int]) -> None:
    async def main(clocks: VirtualClocks) -> tuple[float, float]:
        with hold(rate=100_000.0):
            await clocks.sleep(1000.0)
            at_rate = clocks.loop()
            later(pipe[1])
            async with anyio.create_task_group() as group:
                group.start_soon(clocks.sleep, TEN_HOURS)
                with hold(), hold(rate=1.0):
                    await anyio.wait_readable(pipe[0])
                stood = clocks.loop()
                group.cancel_scope.cancel()
        return at_rate, stood

    assert run(main) == (1000.0, 1000.0)


def test_at_a_rate_what_happens_before_the_timer_is_seen_before_it(pipe: tuple[int, int]) -> None:
    async def main(clocks: VirtualClocks) -> float:
        later(pipe[1], 0.05)
        with hold(rate=10.0), anyio.fail_after(3600):
            await anyio.wait_readable(pipe[0])
        return clocks.loop()

    assert 0 < run(main) < 3600


def test_a_signal_is_seen_between_two_jumps() -> None:
    async def main(clocks: VirtualClocks) -> float:
        async with anyio.create_task_group() as group:

            async def watch() -> None:
                with anyio.open_signal_receiver(signal.SIGUSR1) as signals:
                    async for _ in signals:
                        group.cancel_scope.cancel()
                        return

            group.start_soon(watch)
            for step in range(10_000):
                await clocks.sleep(60)
                if step == 10:
                    os.kill(os.getpid(), signal.SIGUSR1)
        return clocks.loop()

    assert run(main) <= 13 * 60


def test_a_person_at_a_terminal_holds_the_clock() -> None:
    end, terminal_fd = pty.openpty()

    async def main(clocks: VirtualClocks) -> tuple[str, float]:
        async with anyio.create_task_group() as group:
            group.start_soon(clocks.sleep, TEN_HOURS)
            later_line = threading.Timer(0.1, os.write, (end, b"yes\n"))
            later_line.start()
            line = await Terminal(terminal_fd, PlainScreen()).line()
            return line, clocks.loop()

    try:
        assert run(main) == ("yes", 0.0)
    finally:
        os.close(end)
        os.close(terminal_fd)


@pytest.mark.parametrize("backend", ["asyncio", "trio"])
def test_on_a_real_loop_a_hold_changes_nothing(backend: str) -> None:
    async def main() -> bool:
        with hold(), anyio.move_on_after(0.01) as scope:
            await anyio.sleep(20)
        return scope.cancelled_caught

    assert anyio.run(main, backend=backend)


def test_a_clock_cannot_be_held_backwards() -> None:
    with pytest.raises(ValueError, match="at least 0"), hold(rate=-1.0):
        pass


def test_a_journal_in_virtual_time_says_so_and_can_go_on_in_it(tmp_path: Path) -> None:
    clocks = VirtualClocks(seed=7)
    with Journal.create(tmp_path / "run" / "journal", clocks) as journal:
        first = journal.append("a", {})
        clocks.advance(TEN_HOURS)
        last = journal.append("b", {})
    assert last.at.boot == "36000.000000"
    assert last.at.boot_id == "simulated-7"
    assert last.synchronised is None, "the kernel's word on its own clock is none about this one"
    again, _ = Journal.reopen(
        tmp_path / "run" / "journal", lambda c: VirtualClocks.after(7, first.at, c.events[-1].at)
    )
    with again:
        assert again.append("c", {}).at == last.at
    assert [e.at for e in read(tmp_path / "run" / "journal").events] == [first.at, last.at, last.at]


def test_time_passes_at_once_where_nothing_else_is_due_and_in_order_where_it_is() -> None:
    """The short way and the loop's own give the same order of events at the same moments."""
    clocks, log = VirtualClocks(1), list[tuple[str, float]]()

    async def beats(name: str, every: float, times: int) -> None:
        for _ in range(times):
            await clocks.sleep(every)
            log.append((name, round(clocks.loop(), 6)))

    async def main() -> None:
        async with anyio.create_task_group() as group:
            group.start_soon(beats, "slow", 1.0, 3)
            group.start_soon(beats, "fast", 0.3, 9)
        with anyio.move_on_after(0.5) as scope:
            await beats("late", 0.2, 9)
        assert scope.cancelled_caught
        assert clocks.loop() == pytest.approx(3.5)

    anyio.run(main, backend_options=backend_options(clocks))
    assert [moment for _, moment in log] == sorted(moment for _, moment in log)
    assert [m for n, m in log if n == "fast"] == pytest.approx([0.3 * n for n in range(1, 10)])
    assert [m for n, m in log if n == "slow"] == pytest.approx([1.0, 2.0, 3.0])
    assert [m for n, m in log if n == "late"] == pytest.approx([3.2, 3.4])
