"""From `simulated` or `simulated:FILE`, and a seed, to what a run simulates; and from that to its host."""

from __future__ import annotations

from pathlib import Path

from verifier.errors import InputError
from verifier.gather.simulated.description import SHIPPED, Description, load_description
from verifier.gather.simulated.host import SimulatedHost
from verifier.readings import Clocks, Simulation

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
