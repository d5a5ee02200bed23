"""Takes a description and a seed, gives a simulated unit as a host, and what runs probes on it.

Description, load_description    a TOML file: what the unit is made of
Faults, load_faults              another one: what can be wrong with it
simulation_at, simulated_host    from an address, a seed and faults to that, and from that to its host
SimulatedHost                    its files, sockets, button, clock and serial lines at any moment of virtual time
SimulatedTaker                   runs probes on it in the engine's own process, beside the worker pool
ScriptedTechnician, scripted     answers prompts in its time; `scripted` makes him for a host
WithEyes, Hands                  tells a person what is to be seen at it; does to it what anybody is asked to do
"""

from verifier.gather.simulated.address import (
    catalogue_for,
    simulated_host,
    simulation_at,
    unit_file,
)
from verifier.gather.simulated.description import Description, load_description
from verifier.gather.simulated.faults import Faults, injected, load_faults, with_faults
from verifier.gather.simulated.host import SimulatedHost
from verifier.gather.simulated.taker import SimulatedTaker
from verifier.gather.simulated.technician import Hands, ScriptedTechnician, WithEyes, scripted

__all__ = [
    "Description",
    "Faults",
    "Hands",
    "ScriptedTechnician",
    "SimulatedHost",
    "SimulatedTaker",
    "WithEyes",
    "catalogue_for",
    "injected",
    "load_description",
    "load_faults",
    "scripted",
    "simulated_host",
    "simulation_at",
    "unit_file",
    "with_faults",
]
