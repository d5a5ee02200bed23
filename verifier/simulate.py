"""A whole run on a simulated unit, in memory: the same engine, probes and judges; no station, record or report.

    unit = load_description(unit_file("simulated", "marrowby-quayside"))
    faults = catalogue_for(unit_file("simulated", "marrowby-quayside"), unit)
    state, end = simulate(plan, simulation_of(unit, faults, seed=7, wanted=["cell-flat"]), load_catalogue())

For whoever makes a thousand of them: plan, description and probes are loaded once.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from verifier.declare.fasteners import due, fastener_types
from verifier.declare.order import Fasteners, RepairOrder, Replaced
from verifier.declare.plan import Plan
from verifier.declare.suite import Check, Suite
from verifier.gather.catalogue import ProbeCatalogue
from verifier.gather.hosts import Access
from verifier.gather.journal import MemoryJournal
from verifier.gather.session import Sitting, sit
from verifier.gather.simulated import Description, Faults, injected, scripted, with_faults
from verifier.gather.simulated.technician import TECHNICIAN
from verifier.gather.state import RunState, to_json
from verifier.gather.state import begin as begin_state
from verifier.gather.virtual_time import VirtualClocks
from verifier.judge import DecidedEarly, SuiteJudge, outcome
from verifier.readings import Finding, Outcome, Person, Simulation, Stage

BEGAN = 1_795_600_000.0
"""Wall time at which each of these runs begins, so that nothing in them depends on when they are made."""


def simulation_of(
    unit: Description, faults: Faults | None, *, seed: int, wanted: Sequence[str] = ()
) -> Simulation:
    """The unit with the `wanted` faults, as NAME or NAME=SEVERITY. InputError for one that it does not know."""
    found = injected(unit, faults, wanted)
    return Simulation(seed=seed, unit=with_faults(unit, faults, found).to_json(), faults=found)


def order_for(suite: Suite, simulation: Simulation, parts: Collection[str] = ()) -> RepairOrder:
    """The order of a repair that replaced these parts, or all there are; fasteners counted out and in again.

    What is lost inside the unit is missing from the count.
    """
    serial = simulation.unit.get("identity", {}).get("product_serial")
    whole = RepairOrder(serial=serial, replaced=tuple(Replaced(part=part) for part in parts or suite.parts))
    lost, counts = simulation.unit.get("fasteners", {}), {}
    for kind in fastener_types(suite):
        if number := due(suite, whole, kind):
            counts[kind] = Fasteners(removed=number, fitted=max(0, number - lost.get(kind, 0)))
    return whole.model_copy(update={"fasteners": counts})


def simulate(plan: Plan, simulation: Simulation, catalogue: ProbeCatalogue) -> tuple[RunState, Outcome]:
    """Make one run and keep it in memory. The scripted technician answers; the same seed gives the same run."""
    suite = plan.suite
    journal = MemoryJournal(VirtualClocks(simulation.seed, began=BEGAN))
    first = {
        "run": f"simulated-{simulation.seed}",
        "at": "simulated",
        "role": "simulated",
        "station": "none",
        "software": {},
        "technician": to_json(TECHNICIAN),
        "simulation": to_json(simulation),
    }
    state = begin_state(journal.append("begin", first), plan)

    def outlook(state: RunState) -> Outcome:
        return outcome(plan, state.counting_attempts(), state.waived, state.quarantined)

    judge = SuiteJudge(suite.decision)
    sit(
        state,
        journal,
        Sitting(asker_for=scripted(suite), watcher=_Unseen(), person=_technician),
        judge=judge,
        stop_rule=DecidedEarly(judge),
        outlook=outlook,
        access=Access(console=suite.console),
        catalogue=catalogue,
    )
    return state, outlook(state)


async def _technician() -> Person:
    return TECHNICIAN


class _Unseen:
    """Shows nothing of the progress."""

    def stage(self, stage: Stage, checks: int) -> None: ...

    def began(self, check: Check) -> None: ...

    def ended(self, check: Check, finding: Finding) -> None: ...

    def cycle(self, check: Check, number: int, finding: Finding) -> None: ...

    def looked(self, check: Check, words: str) -> None: ...

    def quarantined(self, check: Check, finding: Finding, unsafe: Mapping[str, str]) -> None: ...
