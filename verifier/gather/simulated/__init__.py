"""Takes a description and a seed, gives a simulated unit as a host, and what runs probes on it.

Description, load_description    a small TOML file: what the unit is made of
simulation_at, simulated_host    from an address and a seed to that, and from that to its host
simulation_for, clocks_for       what a new run simulates, if anything, and its clocks; clocks_of a journal
SimulatedHost                    its files, temperatures, ports and serial lines at any moment of virtual time
SimulatedTaker                   runs probes on it in the engine's own process, beside the worker pool
"""

from verifier.gather.simulated.address import (
    clocks_for,
    clocks_of,
    is_simulated,
    simulated_host,
    simulation_at,
    simulation_for,
)
from verifier.gather.simulated.description import Description, load_description
from verifier.gather.simulated.host import SimulatedHost
from verifier.gather.simulated.taker import SimulatedTaker

__all__ = [
    "Description",
    "SimulatedHost",
    "SimulatedTaker",
    "clocks_for",
    "clocks_of",
    "is_simulated",
    "load_description",
    "simulated_host",
    "simulation_at",
    "simulation_for",
]
