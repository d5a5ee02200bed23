"""Processor and memory: what is switched on and how much of it there is."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.errors import Absent
from verifier.gather.probes.attributes import NO_VALUE, clean, text_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Files, Host

CPUS = "/sys/devices/system/cpu"
CPUINFO = "/proc/cpuinfo"
MEMINFO = "/proc/meminfo"
CPUINFO_LIMIT = 8 << 20
"""Bytes of /proc/cpuinfo: some 1,500 a processor, for a few thousand processors."""
PROCESSORS_LIMIT = 65_536
_MODEL = ("model name", "cpu model", "Model", "Hardware", "cpu")
"""Where architectures name the processor: x86 and Arm, MIPS, boards with a device tree, old Arm, Power."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Takes no settings."""


class Cores:
    declaration = ProbeDeclaration(
        name="processor.cores",
        title="Processor",
        what=(
            "Counts the logical processors that are fitted and those that are switched on, and the cores they "
            "belong to. A core that was switched off after a fault shows as one less."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="online", kind="number", unit="1", what="Logical processors switched on."),
            ReadingDeclaration(
                name="present", kind="number", unit="1", what="Logical processors fitted.", optional=True
            ),
            ReadingDeclaration(
                name="cores", kind="number", unit="1", what="Cores that the running ones share.", optional=True
            ),
            ReadingDeclaration(name="model", kind="text", what="What the processor says it is.", optional=True),
        ),
        sources=(
            "Linux Documentation/ABI/testing/sysfs-devices-system-cpu (online, present)",
            "Linux Documentation/filesystems/proc.rst (cpuinfo)",
        ),
        example="""\
[[checks]]
id = "processor"
title = "All cores run"
probe = "processor.cores"
limits = [
  { reading = "online", equals = 4, unit = "1", source = "data sheet of the processor" },
  { reading = "present", equals = 4, unit = "1", source = "data sheet of the processor" },
]
""",
        timeout=15.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when the host does not say what processors it has."""
        info = await _processors(host.files)
        online = await _listed(host.files, f"{CPUS}/online")
        if online is None and not info:
            raise Absent("this host does not say what processors it has")
        if online is None:
            yield Reading(name="online", value=len(info), unit="1", origin=CPUINFO, exact=True)
        else:
            yield Reading(name="online", value=online, unit="1", origin=f"{CPUS}/online", exact=True)
        present = await _listed(host.files, f"{CPUS}/present")
        if present is not None:
            yield Reading(name="present", value=present, unit="1", origin=f"{CPUS}/present", exact=True)
        cores = {(p.get("physical id"), p["core id"]) for p in info if "core id" in p}
        if cores:
            yield Reading(name="cores", value=len(cores), unit="1", origin=CPUINFO, exact=True)
        model = next((p[key] for p in info for key in _MODEL if p.get(key)), None)
        if model:
            yield Reading(name="model", value=model, origin=CPUINFO, exact=True)


class Memory:
    declaration = ProbeDeclaration(
        name="memory.size",
        title="Memory",
        what=(
            "Reads how much memory the system can use. It is less than what is fitted: firmware, graphics and the "
            "kernel keep some to themselves, so set the limit a tenth below the fitted size."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="total", kind="number", unit="MiBy", what="Memory the system can use."),
            ReadingDeclaration(
                name="available",
                kind="number",
                unit="MiBy",
                what="Memory that new programs could use now; it changes all the time.",
                optional=True,
            ),
        ),
        sources=(
            "Linux Documentation/filesystems/proc.rst (meminfo: MemTotal, MemAvailable, in units of 1024 bytes)",
        ),
        example="""\
[[checks]]
id = "memory"
title = "Both memory modules are seen"
probe = "memory.size"
limits = [{ reading = "total", at_least = 7.2, unit = "GiBy", source = "two modules of 4 GiB, a tenth kept back" }]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when the host does not say how much memory it has."""
        found = {}
        for line in (await _bytes(host.files, MEMINFO)).splitlines():
            if match := re.fullmatch(r"(\w+):\s+(\d{1,15}) kB\s*", line.decode("ascii", "replace")):
                found[match[1]] = int(match[2]) / 1024
        if "MemTotal" not in found:
            raise Absent("this host does not say how much memory it has")
        for name, key in (("total", "MemTotal"), ("available", "MemAvailable")):
            if key in found:
                yield Reading(name=name, value=found[key], unit="MiBy", origin=f"{MEMINFO} {key}", exact=True)


async def _bytes(files: Files, path: str, limit: int = 65_536) -> bytes:
    try:
        return await files.read(path, limit)
    except OSError as error:
        if error.errno in NO_VALUE:
            return b""
        raise


async def _processors(files: Files) -> list[dict[str, str]]:
    """The paragraphs of /proc/cpuinfo that describe a processor; the rest of the machine joins the last one."""
    found: list[dict[str, str]] = []
    rest: dict[str, str] = {}
    for line in (await _bytes(files, CPUINFO, CPUINFO_LIMIT)).splitlines():
        key, colon, value = line.partition(b":")
        name = clean(key)
        if name == "processor" and colon and re.fullmatch(rb"\s*\d{1,6}\s*", value):
            found.append({})
        elif colon and len(line) <= 400:
            (found[-1] if found else rest)[name] = clean(value)
        if len(found) > PROCESSORS_LIMIT:
            break
    if found:
        found[-1] = {**rest, **found[-1]}
    return found


async def _listed(files: Files, path: str) -> int | None:
    """How many numbers a list such as "0-3,8" names (Documentation/admin-guide/cputopology.rst)."""
    text = await text_of(files, path)
    if text is None or not re.fullmatch(r"\d{1,6}(-\d{1,6})?(,\d{1,6}(-\d{1,6})?)*", text):
        return None
    numbers: set[int] = set()
    for part in text.split(","):
        first, _, last = part.partition("-")
        if int(last or first) >= PROCESSORS_LIMIT:
            return None
        numbers.update(range(int(first), int(last or first) + 1))
    return len(numbers)
