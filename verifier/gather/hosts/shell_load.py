"""A load on a unit that is reached over a link, by its own shell: `timeout N sh -c ...`, one for each core.

A link that drops cannot leave the unit heating: each loop ends by itself after `LEASE` seconds, and only who
is still there to renew it keeps it going.

1. `timeout` ends a loop after its seconds.
2. Where that was lost, the kernel does: the loop may use no more seconds of processor time (`ulimit -t`).
3. Who ends one before its time sends SIGKILL to its timeout, then to the group that this had made for itself.
   SIGTERM to both is not enough: a timeout that is just making its loop may go before it knows of it, and the
   kernel drops a second SIGTERM while the first is pending, so that the new loop gets neither (7 of 900 on a busy
   machine).
"""

from __future__ import annotations

import math
import re

from verifier.errors import BenchFault, NotPossible
from verifier.services import LEASE, Clocks, Commands, Files

ONLINE = "/sys/devices/system/cpu/online"
MOST_CORES = 512
ANSWER = 5.0
"""Seconds that the unit may take to start or end its loops."""


class ShellLoad:
    """Needs of the unit a POSIX shell, timeout and kill, which is built into the shell."""

    def __init__(self, files: Files, commands: Commands, clocks: Clocks) -> None:
        self._files, self._commands, self._clocks = files, commands, clocks
        self._running: list[str] = []
        self._cores = 0
        self._until = self._renewed = 0.0

    async def start(self, seconds: float) -> str:
        await self.stop()
        self._cores = cores_of((await self._files.read(ONLINE, 4096)).decode("ascii", "replace"))
        self._until = self._clocks.loop() + seconds
        await self._lease()
        return f"{self._cores} shell loops, one a core, each ended by timeout after {LEASE:g} s unless renewed"

    async def renew(self) -> None:
        now = self._clocks.loop()
        if not self._running or now - self._renewed < LEASE / 2:
            return
        if now >= self._until:
            await self.stop()
            return
        before, self._running = self._running, []
        try:
            await self._lease()
        finally:
            await self._kill(before)

    async def stop(self) -> None:
        running, self._running = self._running, []
        await self._kill(running)

    async def _lease(self) -> None:
        now = self._clocks.loop()
        lasts = max(1, math.ceil(min(LEASE, self._until - now)))
        busy = f"ulimit -t {lasts}; while :; do :; done"
        loop = f"timeout {lasts} sh -c '{busy}' </dev/null >/dev/null 2>&1 & echo $!; "
        said = await self._commands.run("sh", "-c", loop * self._cores, timeout=ANSWER)
        self._renewed = now
        self._running = [line for line in said.stdout.split() if re.fullmatch(r"[1-9]\d{0,9}", line)]
        if said.exit != 0 or len(self._running) != self._cores:
            raise BenchFault("the unit's shell did not start the load that was asked for")

    async def _kill(self, processes: list[str]) -> None:
        if processes:
            ends = "".join(f"kill -s KILL {p} 2>/dev/null; kill -s KILL -- -{p} 2>/dev/null; " for p in processes)
            await self._commands.run("sh", "-c", f"{ends}:", timeout=ANSWER)


def cores_of(online: str) -> int:
    """How many cores a list such as 0-3,6 names (Linux Documentation/admin-guide/cputopology.rst).

    NotPossible where it is none, or names more than anybody has.
    """
    count = 0
    for part in online.strip().split(","):
        found = re.fullmatch(r"(\d{1,4})(?:-(\d{1,4}))?", part)
        if found is None or int(found[2] or found[1]) < int(found[1]):
            raise NotPossible(f"the unit does not say which cores it has ({online.strip()[:60]!r})")
        count += int(found[2] or found[1]) - int(found[1]) + 1
    if count > MOST_CORES:
        raise NotPossible(f"the unit says that it has {count} cores")
    return count
