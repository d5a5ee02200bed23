"""What a storage device says of its own health (SMART), asked through smartctl on the host."""

from __future__ import annotations

import json
import re
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from typing import Any

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.probes.attributes import LARGEST, clean
from verifier.gather.probes.disks import check_name, chosen
from verifier.readings import Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

_REFUSED, _NOT_OPENED = 0b1, 0b10
"""Exit status bits 0 and 1 of smartctl(8): its command line was wrong; the device could not be opened."""
_BITS = (
    ("command_failed", 2, "Some command to the device failed; met on healthy ones too."),
    ("failing", 3, "The device says that it is failing."),
    ("below_threshold", 4, "A value that warns of failure is at or below its threshold now."),
    ("was_below_threshold", 5, "Some value has been at or below its threshold in the past."),
    ("errors_logged", 6, "The device's error log holds errors."),
    ("self_test_failed", 7, "The self-test log holds errors."),
)
_NO_SMART = re.compile(r"unable to detect device type|lacks SMART capability", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Settings:
    device: str = ""
    """Kernel name, such as sda or nvme0n1; may be left out where one storage device is built in."""
    kind: str = ""
    """How to reach it, as smartctl -d has it, such as sat behind a USB bridge; found by itself if left out."""

    def __post_init__(self) -> None:
        check_name(self.device)
        if self.kind and not re.fullmatch(r"[a-z0-9][a-z0-9_,+/]{0,40}", self.kind):
            raise ValueError(f"{self.kind!r} is no device type of smartctl, such as sat")


class Health:
    declaration = ProbeDeclaration(
        name="storage.health",
        title="Health of a storage device",
        what=(
            "Asks a storage device for its own view of its health (SMART), through the program smartctl on the "
            "host. Only asks: no self-test is started and nothing is switched on. Its temperature is "
            "that of its own sensor, in whole degrees."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="device", kind="text", what="Which device was asked."),
            ReadingDeclaration(
                name="passed", kind="yes-no", what="What the device itself concludes.", optional=True
            ),
            *(ReadingDeclaration(name=name, kind="yes-no", what=what) for name, _, what in _BITS),
            ReadingDeclaration(
                name="temperature", kind="number", unit="Cel", what="Temperature now.", optional=True
            ),
            ReadingDeclaration(name="hours", kind="number", unit="h", what="Time powered on.", optional=True),
            ReadingDeclaration(
                name="power_cycles", kind="number", unit="1", what="How often switched on.", optional=True
            ),
            ReadingDeclaration(
                name="used",
                kind="number",
                unit="%",
                what="How much of its rated life is used; may pass 100 (NVMe).",
                optional=True,
            ),
            ReadingDeclaration(
                name="spare", kind="number", unit="%", what="Spare blocks left (NVMe).", optional=True
            ),
            ReadingDeclaration(
                name="media_errors",
                kind="number",
                unit="1",
                what="Data it could not read back (NVMe).",
                optional=True,
            ),
            ReadingDeclaration(
                name="grown_defects",
                kind="number",
                unit="1",
                what="Places given up since new (SCSI).",
                optional=True,
            ),
        ),
        services=("files", "commands"),
        privileges=("root, to ask the device; without it the check is not run",),
        sources=(
            "smartctl(8) of smartmontools 7.3, EXIT STATUS and --json",
            "Linux Documentation/ABI/stable/sysfs-block (which devices there are)",
        ),
        example="""\
[[checks]]
id = "storage-health"
title = "Storage module is healthy"
probe = "storage.health"
settings = { device = "nvme0n1" }
timeout = "40 s"
limits = [
  { reading = "passed", is = true, source = "the device's own conclusion" },
  { reading = "below_threshold", is = false, source = "smartctl(8), exit status bit 4" },
  { reading = "temperature", at_most = 60, unit = "Cel", source = "data sheet of the module" },
]
""",
        timeout=40.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent where the device has no SMART; NotPossible without smartctl or the right to ask."""
        name = await chosen(host.files, settings.device)
        argv = ["smartctl", "-j", "-a", *(["-d", settings.kind] if settings.kind else []), f"/dev/{name}"]
        try:
            result = await host.commands.run(*argv, timeout=30.0)
        except Absent as missing:
            raise NotPossible(f"smartctl (package smartmontools) is needed: {missing.what}") from None
        told = _told(result.stdout)
        status = _number(told, "smartctl", "exit_status")
        _refuse(told, int(status) if status is not None else result.exit, name)
        origin = " ".join(argv)
        yield Reading(name="device", value=name, origin=origin, exact=True)
        passed = _inside(told, "smart_status", "passed")
        if isinstance(passed, bool):
            yield Reading(name="passed", value=passed, origin=origin, exact=True)
        bits = int(status) if status is not None else result.exit
        for reading, bit, _ in _BITS:
            yield Reading(name=reading, value=bool(bits >> bit & 1), origin=origin, exact=True)
        # Never attribute 194: its raw value may hold lowest and highest as well, packed into one number.
        temperature = _number(told, "temperature", "current")
        if temperature is not None and -60 <= temperature <= 150:
            yield Reading(
                name="temperature",
                value=temperature,
                unit="Cel",
                origin=origin,
                contributions=(Contribution.resolution(1.0, note="given in whole degrees"),),
            )
        log = "nvme_smart_health_information_log"
        for reading, unit, path in (
            ("hours", "h", ("power_on_time", "hours")),
            ("power_cycles", "1", ("power_cycle_count",)),
            ("used", "%", (log, "percentage_used")),
            ("spare", "%", (log, "available_spare")),
            ("media_errors", "1", (log, "media_errors")),
            ("grown_defects", "1", ("scsi_grown_defect_list",)),
        ):
            number = _number(told, *path)
            if number is not None and number >= 0:
                yield Reading(name=reading, value=number, unit=unit, origin=origin, exact=True)


def _told(printed: str) -> Mapping[str, Any]:
    try:
        told = json.loads(printed)
    except (ValueError, RecursionError):
        told = None
    if not isinstance(told, dict):
        raise BenchFault("smartctl printed no JSON: version 7 or later is needed")
    return told


def _refuse(told: Mapping[str, Any], status: int, name: str) -> None:
    """What smartctl could not do, in the words for it."""
    messages = _inside(told, "smartctl", "messages")
    said = [m.get("string") for m in messages if isinstance(m, dict)] if isinstance(messages, list) else []
    why = clean("; ".join(s for s in said if isinstance(s, str)).encode("utf-8", "replace"))
    if _NO_SMART.search(why) or _inside(told, "smart_support", "available") is False:
        raise Absent(f"{name} does not report its health (SMART)")
    if status & _REFUSED:
        raise BenchFault(
            f"smartctl did not understand what it was asked about {name}: {why or 'it does not say why'}"
        )
    if status & _NOT_OPENED:
        raise NotPossible(f"smartctl could not open {name}: {why or 'it does not say why'}")


def _inside(told: Any, *path: str) -> Any:
    for key in path:
        told = told.get(key) if isinstance(told, dict) else None
    return told


def _number(told: Any, *path: str) -> int | float | None:
    value = _inside(told, *path)
    usable = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= LARGEST
    return value if usable else None
