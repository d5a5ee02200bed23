"""A load on this computer: one burner process for each core that we may use."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path

from verifier.errors import BenchFault, NotPossible

BURNER = Path(__file__).with_name("burner.py")


class LocalLoad:
    """Use it from the thread that runs the event loop: the burners die when that thread does."""

    def __init__(self) -> None:
        self._burners: list[subprocess.Popen[bytes]] = []

    async def start(self, seconds: float) -> str:
        await self.stop()
        cores = sorted(os.sched_getaffinity(0))
        words = [sys.executable, "-I", str(BURNER), str(os.getpid())]
        try:
            for core in cores:
                self._burners.append(
                    subprocess.Popen(
                        [*words, str(core), str(math.ceil(seconds))],
                        stdin=subprocess.DEVNULL,
                        stdout=subprocess.DEVNULL,
                        stderr=subprocess.DEVNULL,
                    )
                )
        except OSError as error:
            await self.stop()
            raise NotPossible(f"no load can be started: {error.strerror}") from None
        return f"{len(cores)} burner processes, one a core, ended by the kernel after {math.ceil(seconds)} s"

    async def renew(self) -> None:
        """Nothing to renew, for they die with us. BenchFault where one died before: other work may hide that."""
        if any(burner.poll() is not None for burner in self._burners):
            raise BenchFault("a burner process ended before its time, so that the load did not hold")

    async def stop(self) -> None:
        burners, self._burners = self._burners, []
        for burner in burners:
            burner.kill()
        for burner in burners:
            burner.wait()
