"""The real-time clock: does it run, how far is the system time from it, and what of its battery?"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import UTC, datetime

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.attributes import number_of, text_of
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Clocks, Files, Host, UnitClock, clock_of

RTC = "/sys/class/rtc"
STEP = 0.01
"""Seconds between two looks at the clock while its next second is awaited."""
PATIENCE = 2.5
"""Seconds after which a clock that still shows the same second stands."""
_FLAGS = (
    ("invalid", 0, "The clock has stopped at some time: what it shows is not to be believed."),
    ("battery_low", 1, "The backup battery is low."),
    ("battery_empty", 2, "The backup battery is empty or missing."),
    ("inaccurate", 3, "Voltage is too low for the clock to keep its accuracy."),
)
"""RTC_VL_DATA_INVALID, _BACKUP_LOW, _BACKUP_EMPTY and _ACCURACY_LOW in include/uapi/linux/rtc.h."""


@dataclass(frozen=True, slots=True)
class Settings:
    clock: str = "rtc0"
    """Which real-time clock, as the kernel calls it."""

    def __post_init__(self) -> None:
        if not re.fullmatch(r"rtc\d{1,3}", self.clock):
            raise ValueError(f"{self.clock!r} is no real-time clock, such as rtc0")


class RealTimeClock:
    declaration = ProbeDeclaration(
        name="clock.rtc",
        title="Real-time clock",
        what=(
            "Reads the real-time clock, waits for its next second to see that it runs, and tells how far it is "
            "from the unit's own system time at that moment. A clock kept in local time shows hours of "
            "difference. A recording stands still: there only its date and time are read."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="clock", kind="text", what="Name of the clock's driver or of the clock."),
            ReadingDeclaration(name="valid", kind="yes-no", what="Whether it gives a time at all."),
            ReadingDeclaration(name="time", kind="text", what="Its time, in UTC.", optional=True),
            ReadingDeclaration(name="runs", kind="yes-no", what="Whether it went on within 2.5 s.", optional=True),
            ReadingDeclaration(
                name="ahead",
                kind="number",
                unit="s",
                what="How far the real-time clock is ahead of the system time; negative when behind.",
                optional=True,
            ),
        ),
        sources=("Linux Documentation/ABI/testing/sysfs-class-rtc (name, since_epoch)",),
        example="""\
[[checks]]
id = "clock"
title = "Clock runs and is right"
probe = "clock.rtc"
limits = [
  { reading = "runs", is = true, source = "maker" },
  { reading = "ahead", at_least = -2, at_most = 2, unit = "s", source = "judgement; network time" },
]
""",
        timeout=15.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when there is no such clock."""
        at = f"{RTC}/{settings.clock}"
        if not await host.files.exists(at):
            raise Absent(f"this host has no real-time clock {settings.clock}")
        name = await text_of(host.files, f"{at}/name") or settings.clock
        path = f"{at}/since_epoch"
        yield Reading(name="clock", value=name, origin=at, exact=True)
        # A driver that knows its time to be lost answers with EINVAL.
        seconds = await number_of(host.files, path)
        shown = _shown(seconds)
        yield Reading(name="valid", value=shown is not None, origin=path, exact=True)
        if seconds is None or shown is None:
            return
        yield Reading(name="time", value=shown, origin=path, exact=True)
        own = clock_of(host)
        if own is None:
            return
        edge = await _next_second(host.files, path, host.clocks, own)
        yield Reading(name="runs", value=edge is not None, origin=path, exact=True)
        if edge is not None:
            yield _ahead(*edge, origin=path)


class RealTimeClockBattery:
    declaration = ProbeDeclaration(
        name="clock.battery",
        title="Battery of the real-time clock",
        what=(
            "Reads the voltage flags of the real-time clock, by which it tells that its cell is low or that it "
            "has stopped. Many clocks have no such flags, and some look at their cell only once a day."
        ),
        settings=Settings,
        readings=tuple(ReadingDeclaration(name=n, kind="yes-no", what=what) for n, _, what in _FLAGS),
        services=("clock",),
        privileges=("root, to open /dev/rtc0",),
        sources=("Linux include/uapi/linux/rtc.h (RTC_VL_READ and its bits)",),
        example="""\
[[checks]]
id = "clock-cell"
title = "Coin cell of the clock"
probe = "clock.battery"
covers = ["coin-cell"]
limits = [
  { reading = "battery_low", is = false, source = "kernel documentation, rtc.h" },
  { reading = "battery_empty", is = false, source = "kernel documentation, rtc.h" },
]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when there is no such clock; NotPossible where it has no flags."""
        own = clock_of(host)
        if own is None:
            raise NotPossible(f"{host.address} does not offer its own clocks")
        flags = await own.rtc_flags(settings.clock)
        for name, bit, _ in _FLAGS:
            origin = f"RTC_VL_READ of {settings.clock}"
            yield Reading(name=name, value=bool(flags >> bit & 1), origin=origin, exact=True)


def _shown(seconds: int | None) -> str | None:
    try:
        return None if seconds is None else f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%SZ}"
    except (ValueError, OverflowError, OSError):
        return None


async def _next_second(files: Files, path: str, clocks: Clocks, own: UnitClock) -> tuple[int, float, float] | None:
    """The clock's next second, and the system times between which it began; None when it does not come.

    Reading takes time, and what is read is from somewhere within: so the second began after the start
    of the last look that saw the one before, and before the end of the first that saw it.
    """
    until = clocks.loop() + PATIENCE
    started = own.wall()
    shown = await number_of(files, path)
    while shown is not None and clocks.loop() < until:
        await clocks.sleep(STEP)
        again = own.wall()
        now = await number_of(files, path)
        ended = own.wall()
        if now is not None and now != shown:
            return now, started, ended
        started = again
    return None


def _ahead(seconds: int, before: float, after: float, *, origin: str) -> Reading:
    """The second began somewhere between two looks: the middle, give or take half of what lies between."""
    half = abs(after - before) / 2
    bounds = Contribution.half_width(half, basis=Basis.RESOLUTION, note=f"seen within {2 * half:.3f} s")
    return Reading(
        name="ahead",
        value=seconds - (before + after) / 2,
        unit="s",
        origin=origin,
        contributions=(bounds,),
    )
