"""Takes a probe with the test instruments, without a run around it; what the technician does is a function."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import anyio

from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.instruments.bench import StationInstruments
from verifier.gather.instruments.taker import InstrumentTaker
from verifier.readings import Reading
from verifier.steps import Cue

CATALOGUE = load_catalogue()
Acts = Callable[[Cue], None]


async def _clear(_name: str) -> None:
    """Hands are clear."""


def take(
    folder: Path,
    probe: str,
    acts: Acts = lambda cue: None,
    *,
    deadline: float = 60.0,
    at: str = "none",
    **settings: Any,
) -> dict[str, Reading]:
    """Readings by name; `acts` is given each cue."""

    async def go() -> dict[str, Reading]:
        clocks, found = RealClocks(), dict[str, Reading]()
        async with StationInstruments(folder, clocks) as bench:
            taker = InstrumentTaker(bench, CATALOGUE, clocks, _clear)
            declaration = CATALOGUE.declaration(probe)
            assert declaration is not None
            async for one in taker.take(probe, settings, at, declaration=declaration, deadline=deadline):
                if isinstance(one, Cue):
                    acts(one)
                else:
                    found[one.name] = one
        return found

    try:
        return anyio.run(go)
    except BaseExceptionGroup as group:
        raise group.exceptions[0] from None


def u_of(reading: Reading) -> float:
    """Combined standard uncertainty (JCGM 100, 5.1.2)."""
    return sum(c.u**2 for c in reading.contributions) ** 0.5
