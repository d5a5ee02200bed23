"""Cameras that the system has found. Taking a picture needs ioctls that no host of ours offers."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass
from fnmatch import fnmatchcase

from verifier.errors import Absent
from verifier.gather.probes.attributes import names_in, text_of
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host

DEVICES = "/sys/class/video4linux"
DEVICES_LIMIT = 64


@dataclass(frozen=True, slots=True)
class Settings:
    name: str = "*"
    """What the camera calls itself; * and ? stand for any text."""

    def __post_init__(self) -> None:
        if not (self.name.isprintable() and 0 < len(self.name) <= 80):
            raise ValueError("name is a short printable text")


class Device:
    declaration = ProbeDeclaration(
        name="camera.device",
        title="Camera",
        what=(
            "Tells whether the system found a camera: its sensor answered when its driver looked for it, so that "
            "its flex carries at least power and commands. It takes no picture: follow with camera.code, which "
            "nobody can answer without one, and ask whether the picture is sharp and whole."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(name="cameras", kind="number", unit="1", what="Cameras of that name."),
            ReadingDeclaration(name="name", kind="text", what="What the first of them calls itself."),
        ),
        sources=(
            "Linux Documentation/driver-api/media/v4l2-dev.rst and drivers/media/v4l2-core/v4l2-dev.c (name, "
            "index: the first node of each device has index 0)",
        ),
        example="""\
[[checks]]
id = "camera-front"
title = "Front camera is found"
probe = "camera.device"
settings = { name = "front*" }
limits = [{ reading = "cameras", equals = 1, unit = "1", source = "maker" }]
""",
        timeout=10.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent when there is no such camera."""
        found = []
        names = [n for n in await names_in(host.files, DEVICES) if re.fullmatch(r"video\d{1,6}", n)]
        for node in names[:DEVICES_LIMIT]:
            at = f"{DEVICES}/{node}"
            called = await text_of(host.files, f"{at}/name") or node
            first = await text_of(host.files, f"{at}/index") in ("0", None)
            if first and fnmatchcase(called.casefold(), settings.name.casefold()):
                found.append((called, at))
        if not found:
            raise Absent("this host has no camera" + (f" called {settings.name}" if settings.name != "*" else ""))
        yield Reading(name="cameras", value=len(found), unit="1", origin=DEVICES, exact=True)
        yield Reading(name="name", value=found[0][0], origin=found[0][1], exact=True)
