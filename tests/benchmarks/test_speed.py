"""What is measured, run once each; with --benchmark-enable it is measured. No test here is about a time.

`python tests/benchmarks/ratios.py` measures the same work against what it is compared with.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from simulated_runs import GOALS, runner
from workloads import Heating, SealedRun, TrivialRun, least_audit, trivial_probe, words


@pytest.fixture(autouse=True)
def _probe() -> Iterator[None]:
    with trivial_probe():
        yield


@pytest.mark.parametrize("workers", [False, True], ids=["in this process", "in workers"])
def test_trivial_checks(benchmark: Any, tmp_path: Path, workers: bool) -> None:
    checks = 100
    run = TrivialRun(tmp_path, checks, workers=workers)
    assert benchmark.pedantic(run.take, rounds=1) == checks
    run.close()


def test_report_of_200_checks(benchmark: Any, tmp_path: Path) -> None:
    run = SealedRun(tmp_path, 200)
    run.seal("long")
    assert b"Check 199" in benchmark(run.render)


def test_audit_of_records(benchmark: Any, tmp_path: Path) -> None:
    run, records = SealedRun(tmp_path, 20), 20
    files = [run.seal(f"r{n}") for n in range(records)]
    assert least_audit(files, run.key.public) == records
    assert benchmark(run.audit) == records


@pytest.mark.parametrize("seconds", [200, 2700])
def test_thermal_look(benchmark: Any, seconds: int) -> None:
    """What each look of `thermal.step` costs: goal tens of milliseconds."""
    heating = Heating(seconds)
    low, high = benchmark(heating.look)
    assert low < 40 < high


def test_thermal_fit(benchmark: Any) -> None:
    assert benchmark(Heating(2700).fit) == pytest.approx(40, abs=1)


def test_help(benchmark: Any) -> None:
    benchmark.pedantic(words(sys.executable, "-m", "verifier", "--help"), rounds=1)


@pytest.mark.parametrize("model", GOALS)
def test_simulated_run(benchmark: Any, model: str) -> None:
    run = runner(model)
    assert benchmark.pedantic(run, args=(0,), rounds=1).disposition in ("release", "hold")
