"""From `simulated` or `simulated:FILE`, and a seed, to what is simulated; and from that to its host."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from verifier.declare.suite import Console, Suite
from verifier.errors import InputError
from verifier.gather.simulated.description import Description, load_description, shipped_unit
from verifier.gather.simulated.faults import (
    FAULTS_FILE,
    Faults,
    injected,
    load_faults,
    shipped_faults,
    with_faults,
)
from verifier.gather.simulated.host import SimulatedHost
from verifier.readings import Simulation
from verifier.services import Clocks
from verifier.shipped import UNIT_FILE

USUAL_MODEL = "marrowby-quayside"
"""Which unit stands in for a model that none ships for: what has no parts of its own can be tried on it."""


def unit_file(address: str, model: str, suite_folder: Path | None = None) -> Path:
    """Where the unit is described that is simulated at this address: FILE; without one, `unit.toml` beside the
    suite, or else the one that ships for the model.

    InputError where no file is named.
    """
    _, colon, named = address.partition(":")
    if colon and not named:
        raise InputError("no file is named", where="--at", to_do="Write --at simulated, or --at simulated:FILE.")
    beside = suite_folder / UNIT_FILE if suite_folder else None
    if named:
        return Path(named)
    file = beside if beside and beside.is_file() else shipped_unit(model) or shipped_unit(USUAL_MODEL)
    if file is None:
        raise FileNotFoundError("this installation of verifier has no simulated units: install it again")
    return file


def catalogue_for(file: Path, unit: Description, suite: Suite | None = None) -> Faults | None:
    """The fault catalogue of the unit described in `file`: the one beside it, or else that of its model; None
    where there is none. With the `suite` that stands beside it. InputError and InputProblems as `load_faults`."""
    beside = file.parent / FAULTS_FILE
    if beside.is_file():
        return load_faults(beside, unit, suite)
    catalogue, shipped = shipped_faults(unit.model), shipped_unit(unit.model)
    # Made for the unit that ships: what of it does not fit this one is told when it is put in.
    return load_faults(catalogue, load_description(shipped)) if catalogue and shipped else None


def simulation_at(
    address: str,
    seed: int,
    model: str = USUAL_MODEL,
    faults: Sequence[str] = (),
    suite_folder: Path | None = None,
) -> Simulation:
    """What is simulated at this address, with faults given as NAME or NAME=SEVERITY.

    InputError where a file cannot be read and for a fault that the unit does not know, InputProblems with the
    places of all that is wrong in a file.
    """
    file = unit_file(address, model, suite_folder)
    unit = load_description(file)
    # Trying every fault of a catalogue takes longer than most runs: only when one is wanted.
    catalogue = catalogue_for(file, unit) if faults else None
    found = injected(unit, catalogue, faults)
    return Simulation(seed=seed, unit=with_faults(unit, catalogue, found).to_json(), faults=found)


def simulated_host(simulation: Simulation, clocks: Clocks, console: Console | None = None) -> SimulatedHost:
    """`console` is how the suite speaks to a unit over its console, where it does."""
    return SimulatedHost(Description.model_validate(simulation.unit), simulation.seed, clocks, console)
