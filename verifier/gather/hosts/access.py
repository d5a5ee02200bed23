"""What a station has to bring, beside the address, to reach a unit."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, runtime_checkable

import anyio

from verifier.errors import BenchFault, HostError

if TYPE_CHECKING:  # a worker process starts without the models of suites
    from verifier.declare.suite import Console

TRY_AGAIN = 2.0
"""Seconds between two tries to reach a unit that is starting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """Nothing of it is needed for hosts that are this computer, a folder or a simulation."""

    keys: Path | None = None
    """The station's folder for SSH: pinned host keys, and a key to log in with if there is one."""
    console: Console | None = None
    """The console that the suite describes."""


@runtime_checkable
class Reaching(Protocol):
    """A host that has to be reached before it can be read: one connection for the whole sitting."""

    @property
    def fingerprint(self) -> str:
        """Of the key by which the unit was known; empty where it has none."""
        ...

    async def start(self) -> None:
        """HostError where it cannot be reached, with what to do."""
        ...

    async def aclose(self) -> None: ...


async def reach_again(host: Reaching, seconds: float) -> None:
    """Reach a unit that was away, such as after a cold start; BenchFault when it is not there in time."""
    until = anyio.current_time() + seconds
    while True:
        try:
            await host.start()
            return
        except HostError as error:
            if anyio.current_time() + TRY_AGAIN > until:
                raise BenchFault(
                    f"the unit was not there again within {seconds:g} s: {error.what}", to_do=error.to_do
                ) from None
        await anyio.sleep(TRY_AGAIN)
