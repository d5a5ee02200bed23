"""What a unit tells of its own power and clock: its battery, its start, who sets its clock, what its flag says."""

from __future__ import annotations

import re
from dataclasses import dataclass

from verifier.errors import Absent, BenchFault, NotPossible, VerifierError
from verifier.gather.probes.attributes import names_in, text_of
from verifier.services import Host, clock_of, keeps_time

BOOT_ID, UPTIME, SUPPLIES = "/proc/sys/kernel/random/boot_id", "/proc/uptime", "/sys/class/power_supply"
_FOUND = re.compile(r"\[\s*(\d{1,9}\.\d{1,9})\].{0,80}setting system clock to .{10,40}UTC \((\d{1,12})\)")
"""Kernel log, drivers/rtc/class.c: what the kernel read of the real-time clock when it started."""


async def refuse_battery(host: Host) -> None:
    """NotPossible where the unit has a main battery in it."""
    if "files" not in host.services:
        return
    for name in await names_in(host.files, SUPPLIES):
        kind, scope = [await text_of(host.files, f"{SUPPLIES}/{name}/{file}") for file in ("type", "scope")]
        present = await text_of(host.files, f"{SUPPLIES}/{name}/present")
        if kind == "Battery" and scope != "Device" and present != "0":
            raise NotPossible(
                "a main battery feeds this unit's clock, so that taking the supply away shows nothing of its cell",
                to_do="Set battery_out = true where the battery is taken out for this check.",
            )


async def started(host: Host) -> str | None:
    """Which start of the unit this is; None where it does not say."""
    return await text_of(host.files, BOOT_ID) if "files" in host.services else None


async def uptime(host: Host) -> float | None:
    """Seconds since the unit started; None where it does not say."""
    text = await text_of(host.files, UPTIME) if "files" in host.services else None
    match = re.match(r"\d{1,12}(\.\d{1,6})?", text or "")
    return float(match[0]) if match else None


async def set_by_system(host: Host) -> bool | None:
    """Whether the unit's system keeps its clock right, and so writes to the real-time clock; None: not known."""
    own = clock_of(host)
    if own is not None:
        return keeps_time(own)
    if "files" in host.services:
        return await host.files.exists("/run/systemd/timesync/synchronized") or None
    return None


@dataclass(frozen=True, slots=True)
class Found:
    """What the kernel read of the real-time clock when the unit started."""

    ahead: float
    """How far that was ahead of the reference, in s."""
    shown: float
    """What it showed, in seconds since 1970."""


async def found_at_start(host: Host, now: float, up: float) -> Found | None:
    """From the kernel's log at the true time `now`, `up` seconds after the unit's start; None where no log says.

    The kernel prints the whole seconds it found, at a moment that is stamped since its start
    (drivers/rtc/class.c): the middle of that second is taken.
    """
    if "commands" not in host.services:
        return None
    try:
        log = await host.commands.run("dmesg")
    except (Absent, BenchFault, NotPossible):
        return None
    found = _FOUND.search(log.stdout)
    if found is None:
        return None
    shown = float(found[2]) + 0.5
    return Found(ahead=shown - (now - up + float(found[1])), shown=shown)


async def flag_words(host: Host, clock: str) -> str:
    """What the clock's own flag says of its time, in words; empty where it says nothing."""
    own = clock_of(host)
    if own is None:
        return ""
    try:
        flags = await own.rtc_flags(clock)
    except (OSError, VerifierError):
        return ""  # no flags, or no right to read them: what it shows decides
    return "lost: its own flag says that it stopped" if flags & 1 else ""
