"""Whole runs on simulated units, in memory: sound ones pass, and each fault is found where it can be.

VERIFIER_LONG=1 makes more runs, and takes each fault in every severity.
"""

from __future__ import annotations

import os
from functools import lru_cache

import pytest

from verifier.declare.lint import load_suite
from verifier.declare.plan import Plan, make_plan
from verifier.gather.catalogue import ProbeCatalogue, load_catalogue
from verifier.gather.simulated import Description, Faults, catalogue_for, load_description, unit_file
from verifier.gather.state import RunState
from verifier.readings import Disposition, Outcome, Verdict
from verifier.shipped import find_suite, shipped_beside_suites
from verifier.simulate import order_for, simulate, simulation_of

MODELS = sorted(shipped_beside_suites("unit.toml"))
LONG = bool(os.environ.get("VERIFIER_LONG"))

NOT_SEEN = {
    "marrowby-orlop": {
        "cell-flat=low": "it still keeps the clock going, and nothing measures it",
        "crystal-off-frequency=clear": "no check waits long enough",
        "crystal-off-frequency=slight": "no check waits long enough",
    },
}
"""What no check of a suite can see, with the reason. Whoever adds the check takes its line out."""


@lru_cache
def catalogue() -> ProbeCatalogue:
    return load_catalogue()


@lru_cache
def subject(model: str) -> tuple[Description, Faults | None, Plan]:
    loaded = load_suite(find_suite(model), catalogue())
    unit = load_description(unit_file("simulated", model))
    order = order_for(loaded.suite, simulation_of(unit, None, seed=0))
    plan = make_plan(loaded.suite, loaded.text, loaded.sha256, order)
    return unit, catalogue_for(unit_file("simulated", model), unit), plan


@lru_cache(maxsize=200)
def run(model: str, seed: int, *faults: str) -> tuple[RunState, Outcome]:
    unit, known, plan = subject(model)
    simulation = simulation_of(unit, known, seed=seed, wanted=faults)
    order = order_for(plan.suite, simulation)
    return simulate(make_plan(plan.suite, plan.suite_text, plan.suite_sha256, order), simulation, catalogue())


def not_passed(state: RunState) -> set[str]:
    """Checks that failed, could not be decided, or met a bench error."""
    bad = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.BENCH_ERROR)
    attempts = state.counting_attempts().items()
    return {n for n, a in attempts if a.finding is not None and a.finding.verdict in bad}


def readings(state: RunState) -> object:
    return {n: a.takes for n, a in state.counting_attempts().items()}


@pytest.mark.parametrize("model", MODELS)
def test_a_sound_unit_is_released(model: str) -> None:
    """Nothing fails. Units differ, and one in some is too near to a limit to be decided: that is held."""
    ends = [run(model, seed) for seed in range(60 if LONG else 4)]
    for state, _ in ends:
        attempts = state.counting_attempts().items()
        assert {n for n, a in attempts if a.finding is not None and a.finding.verdict is Verdict.FAIL} == set()
    released = sum(end.disposition is Disposition.RELEASE for _, end in ends)
    assert released >= len(ends) / 4, [(not_passed(state), end.reason) for state, end in ends]


@pytest.mark.parametrize("model", MODELS)
def test_the_same_seed_gives_the_same_readings_and_another_seed_others(model: str) -> None:
    first, again, other = (run.__wrapped__(model, seed)[0] for seed in (5, 5, 6))
    assert readings(first) == readings(again)
    assert readings(first) != readings(other)


def tried(model: str) -> list[str]:
    _, known, _ = subject(model)
    found = known.faults.items() if known else ()
    return [f"{name}={severity}" for name, f in found for severity in (f.severities if LONG else [f.usual])]


@pytest.mark.parametrize(("model", "fault"), [(model, fault) for model in MODELS for fault in tried(model)])
def test_a_fault_is_seen_by_some_check_or_it_is_known_that_none_can(model: str, fault: str) -> None:
    """In one of twenty units at the latest: a seldom fault is met by chance. Against the same unit without it."""
    reason = NOT_SEEN.get(model, {}).get(fault)
    for seed in range(3 if reason else 20):
        seen = not_passed(run(model, seed, fault)[0]) - not_passed(run(model, seed)[0])
        if seen:
            assert reason is None, f"{fault} is seen by {seen}: take it out of NOT_SEEN"
            return
    assert reason is not None, f"no check sees {fault}"
