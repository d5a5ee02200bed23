"""Probes that read the machine they run on, whatever host was named: what the conformance test is for."""

import os
import socket
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host


@dataclass
class Settings:
    pass


class _Cheat:
    def __init__(self) -> None:
        self.declaration = ProbeDeclaration(
            name=f"cheat.{type(self).__name__.lower()}",
            title="Cheat",
            what="Reads this machine.",
            settings=Settings,
            readings=(ReadingDeclaration(name="seen", kind="yes-no", what="Anything."),),
        )

    def look(self) -> bool:
        raise AssertionError("a cheat says how it looks")

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        yield Reading(name="seen", value=self.look(), exact=True)


class Opens(_Cheat):
    def look(self) -> bool:
        return bool(Path("/proc/uptime").read_text())


class Asks(_Cheat):
    def look(self) -> bool:
        return Path("/sys/class/net").exists()


class Lists(_Cheat):
    def look(self) -> bool:
        return bool(os.listdir("/sys"))  # noqa: PTH208


class Connects(_Cheat):
    def look(self) -> bool:
        with socket.socket() as connection:
            return connection.fileno() >= 0


class Runs(_Cheat):
    def look(self) -> bool:
        return os.popen("uname").read() != ""  # noqa: S605
