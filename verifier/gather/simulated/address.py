"""From `simulated` or `simulated:FILE`, and a seed, to what a run simulates; and from that to its host."""

from __future__ import annotations

import secrets
from pathlib import Path

from verifier.errors import InputError
from verifier.gather.clocks import RealClocks
from verifier.gather.journal import Contents
from verifier.gather.simulated.description import SHIPPED, Description, load_description
from verifier.gather.simulated.host import SimulatedHost
from verifier.gather.virtual_time import VirtualClocks
from verifier.readings import Simulation
from verifier.services import Clocks

ADDRESS = "simulated"


def is_simulated(address: str) -> bool:
    return address == ADDRESS or address.startswith(f"{ADDRESS}:")


def simulation_at(address: str, seed: int) -> Simulation:
    """What is simulated at this address: the unit that ships, or the one described in FILE.

    InputError where FILE cannot be read, InputProblems with the places of all that is wrong in it.
    """
    _, colon, file = address.partition(":")
    if colon and not file:
        raise InputError("no file is named", where="--at", to_do="Write --at simulated, or --at simulated:FILE.")
    return Simulation(seed=seed, unit=load_description(Path(file) if file else SHIPPED).to_json())


def simulated_host(simulation: Simulation, clocks: Clocks) -> SimulatedHost:
    return SimulatedHost(Description.model_validate(simulation.unit), simulation.seed, clocks)


def simulation_for(address: str, seed: int | None) -> Simulation | None:
    """What a new run at this address simulates, and by which seed; None for a run that simulates nothing.

    InputError for a seed where nothing is simulated, and as `simulation_at`.
    """
    if not is_simulated(address):
        if seed is not None:
            raise InputError("only a simulated unit has a seed", where="--seed", to_do="Add --at simulated.")
        return None
    return simulation_at(address, secrets.randbits(32) if seed is None else seed)


def clocks_for(simulation: Simulation | None) -> Clocks:
    """The clocks of a new run."""
    return VirtualClocks(simulation.seed) if simulation else RealClocks()


def clocks_of(contents: Contents) -> Clocks:
    """The clocks that a journal goes on by: simulated time stood still since its last moment."""
    if not contents.events or not (simulation := contents.events[0].data.get("simulation")):
        return RealClocks()
    return VirtualClocks.after(simulation["seed"], contents.events[0].at, contents.events[-1].at)
