"""Looking at a unit's clock so closely that the reading is good to milliseconds, although it shows whole seconds.

Whatever is shown was true at some moment between asking (s) and having the answer (r): a clock that shows N is
then at least at N and not yet at N + 1. Of how far it is ahead of our own count that leaves
[N − r, N + 1 − s], for each look; what is common to all looks is a little more than one exchange wide, once one
was made just before a second's edge and one just after it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from verifier.errors import Absent, BenchFault, NotPossible, Refused
from verifier.gather.probes.attributes import number_of
from verifier.readings import Basis, Contribution
from verifier.services import Clocks, Host, console_of

STEP = 0.01
"""Seconds between two looks while a second's edge is awaited."""
PATIENCE = 2.5
"""Seconds after which a clock that still shows the same second stands."""
EDGES = 3
"""Edges that are looked at more closely after the first."""
FINEST = 0.002
"""Width in s below which it is looked at no more closely."""
SLACK = 0.02
"""Seconds by which looks may contradict each other: clocks do not run alike while they are compared."""
RTC = "/sys/class/rtc"
_TIME = re.compile(r"(\d{4})-(\d\d)-(\d\d)[ T](\d\d):(\d\d):(\d\d)")
Shown = Callable[[], Awaitable[int | None]]
"""Gives what a clock shows, as seconds since 1970 if it is kept in UTC; None where it shows no time."""


@dataclass(frozen=True, slots=True)
class Look:
    """How a unit's clock stands to our own count of the loop clock."""

    ahead: float
    """Its time less the loop clock, in s: the middle of what the looks leave."""
    half: float
    """Half the width of that, in s."""
    at: float
    """The moment of the last look, in s of the loop clock."""

    @property
    def contribution(self) -> Contribution:
        return Contribution.half_width(
            self.half, basis=Basis.RESOLUTION, note=f"the second's edge was seen within {2000 * self.half:.3g} ms"
        )


async def look_at(shown: Shown, clocks: Clocks) -> Look | None:
    """Look at a clock until its second's edge is known closely; None where it shows no time or stands.

    Raises BenchFault where what it shows cannot be one clock's time: it was set while it was looked at.
    """
    narrow = _Narrowing(shown, clocks)
    first = await narrow.look()
    until = clocks.loop() + PATIENCE
    while (now := await narrow.look()) == first and now is not None:
        if clocks.loop() > until:
            return None
        await clocks.sleep(max(0.001, STEP - narrow.took))
    if first is None or now is None:
        return None
    for _ in range(EDGES):
        if narrow.width <= max(FINEST, 1.2 * narrow.took):
            break
        # Asked so that the answer is made where the next edge is thought to be: each look halves what is left.
        middle = (narrow.low + narrow.high) / 2
        edge = math.ceil(clocks.loop() + narrow.took + SLACK + middle) - middle
        await clocks.sleep(max(0.0, edge - narrow.took / 2 - clocks.loop()))
        if await narrow.look() is None:
            return None
    if narrow.width < -SLACK:
        raise BenchFault("the unit's clock was set, or jumped, while it was looked at")
    low, high = sorted((narrow.low, narrow.high))
    return Look(ahead=(low + high) / 2, half=(high - low) / 2, at=clocks.loop())


class _Narrowing:
    def __init__(self, shown: Shown, clocks: Clocks) -> None:
        self._shown, self._clocks = shown, clocks
        self.low, self.high = -math.inf, math.inf
        self.took = 0.0
        """Seconds of the quickest look."""

    @property
    def width(self) -> float:
        return self.high - self.low

    async def look(self) -> int | None:
        asked = self._clocks.loop()
        shows = await self._shown()
        answered = self._clocks.loop()
        if shows is not None:
            self.low, self.high = max(self.low, shows - answered), min(self.high, shows + 1 - asked)
            took = answered - asked
            self.took = min(self.took, took) if self.took else took
        return shows


def clock_shown(host: Host, clock: str, send: str) -> tuple[Shown, str]:
    """How the unit's clock is read, over its console or from its files, and where that is, in words."""
    if "console" in host.services:
        return _over_console(host, send), f"console: {send}"
    if "files" not in host.services:
        raise NotPossible(f"{host.address} has neither a console nor files to read a clock from")
    return _from_files(host, clock), f"{RTC}/{clock}/since_epoch"


def _from_files(host: Host, clock: str) -> Shown:
    there = False

    async def shown() -> int | None:
        nonlocal there
        if not there:  # once: over SSH it is an exchange of its own, and a look is as good as one is short
            there = await host.files.exists(f"{RTC}/{clock}")
        if not there:
            raise Absent(f"this host has no real-time clock {clock}")
        # A driver that knows its time to be lost answers with EINVAL.
        return await number_of(host.files, f"{RTC}/{clock}/since_epoch")

    return shown


def _over_console(host: Host, send: str) -> Shown:
    console = console_of(host)

    async def shown() -> int | None:
        return seconds_in(await console.ask(send), send)

    return shown


def seconds_in(reply: str, send: str) -> int | None:
    """Seconds since 1970 of YYYY-MM-DD hh:mm:ss in UTC; None for a date that does not exist.

    Raises Refused for a reply that is no time at all.
    """
    match = _TIME.fullmatch(reply)
    if match is None:
        raise Refused(f"“{send}” was answered by “{reply[:100]}”, where YYYY-MM-DD hh:mm:ss belongs")
    try:
        return int(datetime(*(int(part) for part in match.groups()), tzinfo=UTC).timestamp())  # type: ignore[arg-type,misc]
    except ValueError:
        return None


def written(seconds: float) -> str:
    """Seconds since 1970 as a person reads a time, in UTC; in words where there is no such year."""
    try:
        return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    except (ValueError, OverflowError, OSError):
        return "no time that exists"


def read_back(text: str) -> float:
    """Seconds since 1970 of what `written` wrote. ValueError for anything else."""
    return datetime.fromisoformat(text).timestamp()
