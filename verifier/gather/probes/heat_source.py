"""What a load on a processor really does: how busy it is, how fast it runs, what power it takes, what the fans do.

All of it from files of the host, so that it is the host's own. What a host does not show is not known here.
"""

from __future__ import annotations

import re
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from verifier.gather.probes.attributes import names_in, number_of, text_of
from verifier.services import Files

SOURCES = (
    "Linux Documentation/filesystems/proc.rst, 1.7 (/proc/stat)",
    "Linux Documentation/admin-guide/pm/cpufreq.rst (scaling_cur_freq in kHz)",
    "Linux Documentation/power/powercap/powercap.rst (energy_uj, max_energy_range_uj)",
    "Linux Documentation/ABI/testing/sysfs-class-hwmon (fanY_input)",
    "Linux arch/x86/kernel/cpu/mce/therm_throt.c (package_throttle_count)",
)
STAT, POLICIES = "/proc/stat", "/sys/devices/system/cpu/cpufreq"
POWERCAP, MONITORS = "/sys/class/powercap", "/sys/class/hwmon"
THROTTLED = "/sys/devices/system/cpu/cpu0/thermal_throttle/package_throttle_count"
MOST = 64
"""Clock policies, packages and fans that are looked at."""
BUSY_ENOUGH = 0.9
"""Part of its time that a processor under load has to be busy."""
STEADY = 0.1
"""Part by which power or clock may move and still be taken for constant."""
FAN_STEP = 0.15
"""Part by which a fan's speed has to move to be called a step."""
SETTLING = 10.0
"""Seconds after its start in which a load may still find its level."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One look at the heat source. What the host does not show is None, or not there."""

    at: float
    """Seconds after the load came on."""
    busy: float | None = None
    """Part of the time since the last look that it was busy, 0 to 1."""
    clock: float | None = None
    """Mean over the cores, in MHz."""
    watts: float | None = None
    """Mean power of the packages since the last look."""
    fans: tuple[int, ...] = ()
    """Turns a minute."""
    throttled: int | None = None
    """How often it has slowed itself down since it was switched on."""


def share_busy(before: Sequence[int], after: Sequence[int]) -> float | None:
    """Part of the time between two readings of the first line of /proc/stat that was neither idle nor waiting.

    user nice system idle iowait irq softirq steal; guest time is in user already (proc.rst, 1.7).
    """
    spent = [b - a for a, b in zip(before[:8], after[:8], strict=False)]
    whole = sum(spent)
    if len(spent) < 4 or whole <= 0 or min(spent) < 0:
        return None  # too soon after the last one, or no counter that only goes up
    return 1 - sum(spent[3:5]) / whole


def energy_used(before: int, after: int, counter_range: int) -> int:
    """Microjoules between two readings of a counter that begins again at 0 after `counter_range`."""
    return after - before if after >= before else after - before + counter_range


class HeatSource:
    """Looked at again and again; `looks` remembers."""

    def __init__(self, files: Files) -> None:
        self._files = files
        self._policies: list[str] = []
        self._packages: list[tuple[str, int]] = []
        self._fans: list[str] = []
        self._stat: list[int] | None = None
        self._energy: list[int] = []
        self._energy_at: float | None = None
        self.looks: list[Seen] = []
        self.power_withheld = False
        """True where the host has energy counters that we may not read."""

    async def find(self) -> None:
        """What there is to look at."""
        files = self._files
        for name in (await names_in(files, POLICIES))[:MOST]:
            if re.fullmatch(r"policy\d{1,4}", name):
                self._policies.append(f"{POLICIES}/{name}/scaling_cur_freq")
        for name in (await names_in(files, POWERCAP))[:MOST]:
            # Packages alone: the zones below them (core, uncore) are counted in them.
            zone = f"{POWERCAP}/{name}"
            if not (await text_of(files, f"{zone}/name") or "").startswith("package-"):
                continue
            try:
                most, now = await number_of(files, f"{zone}/max_energy_range_uj"), await self._counter(zone)
            except PermissionError:
                self.power_withheld = True  # since Linux 5.10 only root may
                continue
            if most and now is not None:
                self._packages.append((zone, most))
        for name in (await names_in(files, MONITORS))[:MOST]:
            self._fans += [
                f"{MONITORS}/{name}/{fan}"
                for fan in (await names_in(files, f"{MONITORS}/{name}"))
                if re.fullmatch(r"fan\d{1,3}_input", fan)
            ]
        self._fans = self._fans[:MOST]

    async def _counter(self, zone: str) -> int | None:
        return await number_of(self._files, f"{zone}/energy_uj")

    async def begin(self, at: float) -> None:
        """What busy and power are counted from."""
        self._stat = await self._ticks()
        await self._watts(at)

    async def look(self, at: float) -> Seen:
        before, self._stat = self._stat, await self._ticks()
        clocks = [f for path in self._policies if (f := await number_of(self._files, path))]
        seen = Seen(
            at=at,
            busy=share_busy(before, self._stat) if before and self._stat else None,
            clock=statistics.fmean(clocks) / 1000 if clocks else None,
            watts=await self._watts(at),
            fans=tuple([f for path in self._fans if (f := await number_of(self._files, path)) is not None]),
            throttled=await number_of(self._files, THROTTLED),
        )
        self.looks.append(seen)
        return seen

    async def _ticks(self) -> list[int] | None:
        try:
            first = (await self._files.read(STAT, 1 << 20)).split(b"\n", 1)[0].split()
        except OSError:
            return None
        return [int(n) for n in first[1:] if n.isdigit()] if first[:1] == [b"cpu"] else None

    async def _watts(self, at: float) -> float | None:
        counters = [await self._counter(zone) for zone, _ in self._packages]
        now = [c for c in counters if c is not None]
        before, since = self._energy, self._energy_at
        self._energy, self._energy_at = now, at
        if since is None or at <= since or not now or len(now) != len(before):
            return None
        ranges = [most for _, most in self._packages]
        used = sum(energy_used(b, a, most) for b, a, most in zip(before, now, ranges, strict=True))
        return used / 1e6 / (at - since)

    def doubt(self) -> str:
        """What about the heat source spoils a heating, in words; empty where nothing that can be seen does."""
        settled = [seen for seen in self.looks if seen.at > SETTLING]
        for seen in settled:
            if seen.busy is not None and seen.busy < BUSY_ENOUGH:
                return f"the load did not hold: the processor was only {seen.busy:.0%} busy after {seen.at:.0f} s"
        throttled = [seen for seen in self.looks if seen.throttled is not None]
        if throttled and throttled[-1].throttled != throttled[0].throttled:
            first = next(seen for seen in throttled if seen.throttled != throttled[0].throttled)
            return f"the processor slowed itself down for its heat after {first.at:.0f} s"
        if words := _moved(settled, lambda seen: seen.watts, "the power of the load", "W"):
            return words
        # Where the power is known it says it all: clocks move with work that takes the same power.
        known = any(seen.watts is not None for seen in settled)
        clock = "" if known else _moved(settled, lambda seen: seen.clock, "the processor's clock", "MHz")
        return clock or _fan_step(settled)


def _moved(looks: Sequence[Seen], of: Callable[[Seen], float | None], what: str, unit: str) -> str:
    """Says that a level moved, where it did: three looks in a row whose median is off that of the first ones."""
    values = [(seen.at, value) for seen in looks if (value := of(seen)) is not None]
    if len(values) < 6:
        return ""
    level = statistics.median(value for _, value in values[:5])
    for (at, a), (_, b), (_, c) in zip(values[3:], values[4:], values[5:], strict=False):
        now = statistics.median((a, b, c))
        if abs(now - level) > STEADY * level:
            return f"{what} went from {level:.4g} {unit} to {now:.4g} {unit} after {at:.0f} s"
    return ""


def _fan_step(looks: Sequence[Seen]) -> str:
    whole = [seen for seen in looks if len(seen.fans) == len(looks[0].fans)]
    if len(whole) < 2:
        return ""
    for number, speed in enumerate(whole[0].fans):
        for seen in whole[1:]:
            now = seen.fans[number]
            if abs(now - speed) > max(FAN_STEP * speed, 100):
                return f"a fan went from {speed} to {now} turns a minute after {seen.at:.0f} s"
    return ""
