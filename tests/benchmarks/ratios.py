"""Prints what each thing costs against what it is compared with, and the goal: ratios, not times.

    .venv/bin/python tests/benchmarks/ratios.py

Each figure is the best of several tries, the two sides in turns: a busy machine makes single times worthless.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from workloads import MOST, SealedRun, TrivialRun, least_audit, pytest_words, trivial_probe, without_plugins, words

CHECKS = 1000
RECORDS = 2000
ON_TMPFS = Path("/dev/shm")


def seconds(once: Callable[[], object]) -> float:
    began = time.perf_counter()
    once()
    return time.perf_counter() - began


def in_turns(tries: int, *sides: Callable[[], object]) -> list[float]:
    """The best time of each side."""
    return [min(times) for times in zip(*([seconds(side) for side in sides] for _ in range(tries)), strict=True)]


def told(what: str, ours: float, theirs: float, goal: float | None, unit: str = "ms") -> None:
    ratio = ours / theirs
    verdict = "" if goal is None else f"goal at most {goal:g}: " + ("met" if ratio <= goal else "MISSED")
    print(f"{what:<58} {ours * 1e3:9.2f} {theirs * 1e3:9.2f} {unit}  {ratio:5.2f}  {verdict}", flush=True)


def a_check(folder: Path, *, workers: bool, tries: int = 3) -> float:
    """Seconds a check: `CHECKS` in runs of as many as a suite may have, less what starting a run costs."""

    def taken(checks: int) -> float:
        with tempfile.TemporaryDirectory(dir=folder) as fresh:
            run = TrivialRun(Path(fresh), checks, workers=workers)
            took = seconds(run.take)
            run.close()
            return took

    taken(1)
    whole, start = zip(*(((taken(MOST) + taken(MOST)), taken(1)) for _ in range(tries)), strict=True)
    return (min(whole) - CHECKS // MOST * min(start)) / CHECKS


def checks(tmpfs: Path, disk: Path) -> None:
    def pytest_run(tests: int) -> Callable[[], object]:
        command = pytest_words(tmpfs, tests)
        return lambda: subprocess.run(command, check=True, capture_output=True, env=without_plugins())

    many, one = in_turns(3, pytest_run(CHECKS), pytest_run(1))
    a_test = (many - one) / CHECKS
    told("a trivial check, probe in this process, journal on tmpfs", a_check(tmpfs, workers=False), a_test, 1)
    told("  the same, journal on disk", a_check(disk, workers=False), a_test, None)
    told("a trivial check, probe in a worker, journal on tmpfs", a_check(tmpfs, workers=True), a_test, None)
    told("  the same, journal on disk", a_check(disk, workers=True), a_test, None)


def helping() -> None:
    script = Path(sys.executable).with_name("verifier")
    ours, theirs = in_turns(30, words(str(script), "--help"), words(sys.executable, "-c", "import click"))
    told("verifier --help, against importing click", ours, theirs, 1.3)


def report(tmpfs: Path) -> None:
    run = SealedRun(tmpfs / "report", 200)
    run.seal("long")
    run.render()  # templates are read and compiled once
    (ours,) = in_turns(10, run.render)
    told("report of 200 checks, against 100 ms", ours, 0.1, 1)


def auditing(tmpfs: Path) -> None:
    for checks in (20, 60):
        run = SealedRun(tmpfs / f"audit-{checks}", checks)
        files = [run.seal(f"r{n}") for n in range(RECORDS)]
        ours, theirs = in_turns(5, run.audit, lambda run=run, files=files: least_audit(files, run.key.public))
        size = files[-1].stat().st_size / 1000
        told(f"audit of {RECORDS} records of {checks} checks, {size:.0f} kB", ours, theirs, 1.5)


def main() -> None:
    print(f"{'':<58} {'ours':>9} {'theirs':>9}     ratio")
    with (
        trivial_probe(),
        tempfile.TemporaryDirectory(dir=ON_TMPFS) as tmpfs,
        tempfile.TemporaryDirectory(dir=Path.home()) as disk,
    ):
        helping()
        checks(Path(tmpfs), Path(disk))
        report(Path(tmpfs))
        auditing(Path(tmpfs))


if __name__ == "__main__":
    main()
