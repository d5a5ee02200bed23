"""Prints how many full simulated runs of each shipped suite one core makes in a minute, against the goal.

    .venv/bin/python tests/benchmarks/simulated_runs.py

Processor time of this process, so that other work on the machine counts as little as may be; the best of three.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from verifier.declare.lint import load_suite
from verifier.declare.plan import make_plan
from verifier.gather.catalogue import load_catalogue
from verifier.gather.simulated import load_description, unit_file
from verifier.readings import Outcome
from verifier.shipped import find_suite
from verifier.simulate import order_for, simulate, simulation_of

GOALS = {"marrowby-quayside": 300, "marrowby-gangway": None, "marrowby-orlop": None}
"""Runs a minute; none is set where it says None."""
TRIES, RUNS = 3, 20


def runner(model: str) -> Callable[[int], Outcome]:
    """Makes one run by its seed; everything that is the same for all of them is loaded before."""
    catalogue = load_catalogue()
    loaded = load_suite(find_suite(model), catalogue)
    unit = load_description(unit_file("simulated", model))
    order = order_for(loaded.suite, simulation_of(unit, None, seed=0))
    plan = make_plan(loaded.suite, loaded.text, loaded.sha256, order)
    return lambda seed: simulate(plan, simulation_of(unit, None, seed=seed), catalogue)[1]


def per_minute(run: Callable[[int], Outcome], runs: int) -> float:
    began = time.process_time()
    for seed in range(runs):
        run(seed)
    return 60 * runs / (time.process_time() - began)


def main() -> None:
    for model, goal in GOALS.items():
        run = runner(model)
        run(0)  # what is imported and compiled once
        best = max(per_minute(run, RUNS) for _ in range(TRIES))
        verdict = "" if goal is None else f"goal at least {goal}: " + ("met" if best >= goal else "MISSED")
        print(f"{model:<20} {best:7.0f} runs a minute on one core  {verdict}", flush=True)


if __name__ == "__main__":
    main()
