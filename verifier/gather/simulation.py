"""What a run simulates, if anything, and its clocks. The simulated unit itself is loaded where there is one."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from pathlib import Path

from verifier.errors import InputError
from verifier.gather.clocks import RealClocks
from verifier.gather.journal import Contents
from verifier.gather.virtual_time import VirtualClocks
from verifier.readings import Simulation
from verifier.services import Clocks

ADDRESS = "simulated"


def is_simulated(address: str) -> bool:
    return address == ADDRESS or address.startswith(f"{ADDRESS}:")


def simulation_for(
    address: str,
    seed: int | None,
    model: str,
    faults: Sequence[str] = (),
    suite_folder: Path | None = None,
) -> Simulation | None:
    """What a new run at this address simulates, and by which seed; None for a run that simulates nothing.

    InputError for a seed or a fault where nothing is simulated, and as `simulated.simulation_at`.
    """
    if not is_simulated(address):
        for given, option, what in ((seed is not None, "--seed", "a seed"), (bool(faults), "--fault", "faults")):
            if given:
                raise InputError(f"only a simulated unit has {what}", where=option, to_do="Add --at simulated.")
        return None
    from verifier.gather.simulated import simulation_at

    return simulation_at(address, secrets.randbits(32) if seed is None else seed, model, faults, suite_folder)


def clocks_for(simulation: Simulation | None) -> Clocks:
    """The clocks of a new run."""
    return VirtualClocks(simulation.seed) if simulation else RealClocks()


def clocks_of(contents: Contents) -> Clocks:
    """The clocks that a journal goes on by: simulated time stood still since its last moment."""
    if not contents.events or not (simulation := contents.events[0].data.get("simulation")):
        return RealClocks()
    return VirtualClocks.after(simulation["seed"], contents.events[0].at, contents.events[-1].at)
