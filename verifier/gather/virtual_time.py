"""Virtual time: an asyncio loop that jumps to its next timer instead of waiting for it.

1. While nothing in the run waits for the real world, time stands still whatever we compute, and jumps when
   all tasks sleep: a dwell of ten hours takes no time.
2. Whoever waits for a process, a thread, a file sync or a person *holds* the clock (`hold`). It then
   stands still, or runs at the rate that the holder states, in virtual seconds a real second.
   Processes with deadlines hold at rate 1: the deadline then means what it says.
3. Of several holds the slowest rate counts.
4. What has really happened (Ctrl-C, a line typed, a byte come in) is seen before each jump.

The clocks outlive the loop: the first line of a journal is written before it starts, the last after it ended.
"""

from __future__ import annotations

import asyncio
import math
import selectors
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

import anyio

from verifier.gather.clocks import SIMULATED_BOOT
from verifier.readings import Moment

_RESOLUTION = time.get_clock_info("monotonic").resolution
"""What asyncio takes for the resolution of its clock, in seconds."""
_LONGEST_WAIT = 3600.0
"""Real seconds that the loop sleeps at a time, however slow the rate."""
_PASSES_A_LOOK = 2
"""Times that time passes at once before the kernel is asked whether anything has really happened."""


class VirtualClocks:
    """Loop time, boot time and wall time of a simulated run: one count, seen three ways.

    Boot time counts from the beginning of the run; so does loop time. `began` is wall time there.
    """

    def __init__(self, seed: int, *, began: float | None = None, elapsed: float = 0.0) -> None:
        self.seed = seed
        # Whole milliseconds, as records keep it: after a resume the clocks then say exactly the same.
        self._began = round(time.time() if began is None else began, 3)
        self._elapsed = elapsed

    @classmethod
    def after(cls, seed: int, first: Moment, last: Moment) -> VirtualClocks:
        """The clocks of a run that is taken up again: they go on from its last journalled moment."""
        return cls(seed, began=datetime.fromisoformat(first.wall).timestamp(), elapsed=float(last.boot))

    def loop(self) -> float:
        return self._elapsed

    def boot(self) -> float:
        return self._elapsed

    def boot_id(self) -> str:
        return f"{SIMULATED_BOOT}{self.seed}"

    def wall(self) -> float:
        return self._began + self._elapsed

    async def sleep(self, seconds: float) -> None:
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # trio
            loop = None
        if not isinstance(loop, VirtualLoop) or not loop.passed(seconds):
            await anyio.sleep(seconds)

    def advance(self, seconds: float) -> None:
        """For the loop alone."""
        moment = self._elapsed + seconds
        if moment + _RESOLUTION == moment:
            # After half a year the loop cannot tell "due" from "due just now" any more, and would turn for
            # ever: the steps between floats have outgrown its resolution. Two of them past it is due.
            moment = math.nextafter(math.nextafter(moment, math.inf), math.inf)
        self._elapsed = moment


class VirtualLoop(asyncio.SelectorEventLoop):
    """Pass to anyio as `backend_options={"loop_factory": lambda: VirtualLoop(clocks)}`."""

    def __init__(self, clocks: VirtualClocks) -> None:
        self._clocks = clocks
        self.rates: list[float] = []
        """Rates of the holds there are now."""
        self._since_a_look = 0
        self._jumping = _JumpingSelector(clocks, self.rates)
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._clocks.loop()

    def passed(self, seconds: float) -> bool:
        """Whether so much time could pass at once, since nothing else is due before or has happened; it then has.

        A turn of the loop costs more than most of what happens between two of them. The fields are asyncio's own
        and not public: without them it would only be slower.
        """
        ready, timers = getattr(self, "_ready", True), getattr(self, "_scheduled", ())
        if seconds <= 0 or self.rates or ready:
            return False
        self._since_a_look += 1
        if self._since_a_look >= _PASSES_A_LOOK:
            # Each time would cost as much as all the rest; Ctrl-C can wait for some microseconds.
            self._since_a_look = 0
            if self._jumping.happened():
                return False
        if timers and timers[0].when() <= self._clocks.loop() + seconds:
            return False
        self._clocks.advance(seconds)
        return True


class _JumpingSelector(selectors.DefaultSelector):
    def __init__(self, clocks: VirtualClocks, rates: list[float]) -> None:
        super().__init__()
        self._clocks, self._rates = clocks, rates

    def happened(self) -> bool:
        """Whether anything has really happened that is still to be seen."""
        return bool(super().select(0))

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """`timeout` is in virtual seconds, up to the next timer; None where there is none."""
        if timeout is None or timeout <= 0:
            return super().select(timeout)
        rate = min(self._rates, default=None)
        if rate is None:
            if happened := super().select(0):
                return happened
            self._clocks.advance(timeout)
            return []
        if rate <= 0:
            return super().select(None)
        wait, started = min(timeout / rate, _LONGEST_WAIT), time.monotonic()
        happened = super().select(wait)
        passed = (time.monotonic() - started) * rate
        # Never past the timer: it would seem late by what the machine was busy with.
        self._clocks.advance(timeout if passed > timeout or not (happened or wait == _LONGEST_WAIT) else passed)
        return happened


@contextmanager
def hold(rate: float = 0.0) -> Iterator[None]:
    """Hold the virtual clock while waiting for the real world; does nothing on a real loop.

    `rate` is in virtual seconds a real second; 0 stands still. While it stands, no deadline passes.
    """
    if not rate >= 0:
        raise ValueError(f"a rate is at least 0, not {rate}")
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:  # trio, or no loop at all
        yield
        return
    if not isinstance(loop, VirtualLoop):
        yield
        return
    loop.rates.append(rate)
    try:
        yield
    finally:
        loop.rates.remove(rate)


def backend_options(clocks: object) -> dict[str, Any]:
    """What anyio.run needs to run by these clocks: on the virtual loop, or the usual one for real clocks."""
    if not isinstance(clocks, VirtualClocks):
        return {}
    factory: Callable[[], asyncio.AbstractEventLoop] = lambda: VirtualLoop(clocks)  # noqa: E731
    return {"loop_factory": factory}
