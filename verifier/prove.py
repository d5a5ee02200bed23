"""Which faults a suite finds, tried on simulated units: sound ones by the thousand, and some with each fault.

Each run is a whole one (`simulate`), kept in memory; units differ by their seed. The numbers come from the model
of the unit, so they say what the suite can find, and are no evidence about any real unit.

Runs are shared out in pieces. A piece is known by fault, severity and number, and its seeds follow from the
proof's own: whoever makes it and in whatever order, it comes out the same, so that a proof that was interrupted
goes on where it stood.
"""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from verifier.declare.lint import LoadedSuite
from verifier.declare.plan import make_plan
from verifier.declare.suite import Suite
from verifier.errors import InputError
from verifier.gather.catalogue import ProbeCatalogue
from verifier.gather.parentage import die_with
from verifier.gather.simulated import Description, Faults, catalogue_for, load_description
from verifier.gather.simulated.faults import FAULTS_FILE
from verifier.simulate import order_for, simulate, simulation_of
from verifier.trends.detection import FaultTally, Tally

SCHEMA = 1
MOTTO = "model result, not evidence"
PIECE = 10
"""Runs of one piece: some seconds of work."""
SOUND = ("", "")
"""Fault and severity of units that have none."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What is proved: a suite with the simulated unit and the faults that go with it."""

    loaded: LoadedSuite
    unit: Description
    faults: Faults
    digests: Mapping[str, str]
    """SHA-256 of the suite's file, and of what stands in those of unit and faults."""


@dataclass(frozen=True, slots=True)
class Extent:
    """How much is tried."""

    healthy: int
    each: int
    """Runs with each fault."""
    seed: int
    all_severities: bool = False
    """Else each fault in its usual severity."""


@dataclass(frozen=True, slots=True)
class Piece:
    fault: str
    severity: str
    first: int
    runs: int

    @property
    def key(self) -> str:
        return f"{self.fault}={self.severity} {self.first}+{self.runs}"


@dataclass(frozen=True, slots=True)
class Proof:
    """The whole table."""

    subject: Subject
    extent: Extent
    healthy: Tally
    faults: tuple[FaultTally, ...]

    @property
    def stated(self) -> float:
        """The chance of a false fail that the suite allows each finding."""
        return self.subject.loaded.suite.decision.reject_risk

    def to_json(self) -> dict[str, Any]:
        suite = self.subject.loaded.suite
        counts = {
            "healthy": self.healthy.to_json(),
            "faults": [
                {"fault": f.name, "severity": f.severity, "title": f.title, "joint": f.joint} | f.tally.to_json()
                for f in self.faults
            ],
        }
        about = {
            "schema": SCHEMA,
            "what": MOTTO,
            "model": suite.model,
            "revision": suite.revision,
            "of": dict(self.subject.digests),
            "seed": self.extent.seed,
            "stated_false_fails": self.stated,
        }
        return about | counts | {"digest": digest_of(counts)}


def digest_of(data: Mapping[str, Any]) -> str:
    """SHA-256 over the shortest JSON with sorted keys: of the counts of a table, and of a unit and its faults."""
    return hashlib.sha256(json.dumps(data, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def subject_of(loaded: LoadedSuite, unit_path: Path) -> Subject:
    """The suite with what stands beside its simulated unit. InputError where there are no faults to try."""
    model = load_description(unit_path).model
    if model != loaded.suite.model:
        raise InputError(
            f"there is no simulated unit of {loaded.suite.model}",
            where=str(unit_path),
            to_do="Describe one, and name it with --at simulated:FILE; suites/README.md shows how.",
        )
    unit = load_description(unit_path, loaded.suite)
    faults = catalogue_for(unit_path, unit, loaded.suite)
    if faults is None or not faults.faults:
        raise InputError(
            f"there are no faults to try on the simulated {unit.model}",
            where=str(unit_path),
            to_do=f"Describe some in {FAULTS_FILE} beside it; suites/README.md shows how.",
        )
    digests = {
        "suite": loaded.sha256,
        "unit": digest_of(unit.to_json()),
        "faults": digest_of(faults.model_dump(mode="json")),
    }
    return Subject(loaded, unit, faults, digests)


def pieces(subject: Subject, extent: Extent) -> Iterator[Piece]:
    """All that is to be done, sound units first."""
    yield from _cut(*SOUND, extent.healthy)
    for name, fault in subject.faults.faults.items():
        for severity in fault.severities if extent.all_severities else [fault.usual]:
            yield from _cut(name, severity, extent.each)


def _cut(fault: str, severity: str, runs: int) -> Iterator[Piece]:
    for first in range(0, runs, PIECE):
        yield Piece(fault, severity, first, min(PIECE, runs - first))


def seed_of(seed: int, fault: str, severity: str, number: int) -> int:
    """The seed of one unit: 48 bits of SHA-256, so that neighbours have nothing in common."""
    text = f"{seed} {fault}={severity} {number}"
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:6], "big")


class Prover:
    """Makes pieces of one proof. Loaded once a process."""

    def __init__(self, subject: Subject, probes: ProbeCatalogue, seed: int) -> None:
        self._subject, self._probes, self._seed = subject, probes, seed

    def make(self, piece: Piece) -> Tally:
        subject, loaded, tally = self._subject, self._subject.loaded, Tally()
        wanted = [f"{piece.fault}={piece.severity}"] if piece.fault else []
        unit = simulation_of(subject.unit, subject.faults, seed=0, wanted=wanted)
        plan = make_plan(loaded.suite, loaded.text, loaded.sha256, order_for(loaded.suite, unit))
        joint = subject.faults.faults[piece.fault].joint if piece.fault else None
        at_joint = covering(loaded.suite, joint)
        for number in range(piece.first, piece.first + piece.runs):
            seed = seed_of(self._seed, piece.fault, piece.severity, number)
            state, outcome = simulate(plan, replace(unit, seed=seed), self._probes)
            attempts = state.counting_attempts()
            verdicts = {check: a.finding.verdict for check, a in attempts.items() if a.finding}
            tally.add(outcome.disposition, verdicts, at_joint)
        return tally


def covering(suite: Suite, joint: str | None) -> frozenset[str]:
    """The checks that cover the joint that a fault is at; none where it is at no joint."""
    return frozenset(check.id for check in suite.checks if joint in check.covers)


_prover: Prover | None = None
"""Of a process that makes pieces; inherited when it is forked."""


def _started(parent: int) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # it reaches all processes of a terminal; one ends the others
    die_with(parent, signal.SIGKILL)


def _make(piece: Piece) -> Tally:
    assert _prover is not None  # noqa: S101 - set before the process was forked
    return _prover.make(piece)


def try_all(
    subject: Subject,
    probes: ProbeCatalogue,
    extent: Extent,
    *,
    jobs: int = 1,
    kept: Mapping[str, Tally] | None = None,
    done: Callable[[Piece, Tally], None] | None = None,
) -> Proof:
    """Try it all. `kept` are pieces that an earlier try has made; `done` hears of each new one."""
    made = dict(kept or {})
    todo = [piece for piece in pieces(subject, extent) if piece.key not in made]
    for piece, tally in _made(Prover(subject, probes, extent.seed), todo, jobs):
        made[piece.key] = tally
        if done is not None:
            done(piece, tally)
    return summed(subject, extent, made)


def summed(subject: Subject, extent: Extent, made: Mapping[str, Tally]) -> Proof:
    """The table of what has been made so far; faults that were not tried yet are left out."""
    sums: dict[tuple[str, str], Tally] = {}
    for piece in pieces(subject, extent):
        if piece.key in made:
            sums.setdefault((piece.fault, piece.severity), Tally()).merge(made[piece.key])
    healthy = sums.pop(SOUND, Tally())
    catalogue = subject.faults.faults
    rows = (
        FaultTally(name, severity, catalogue[name].title, catalogue[name].joint or "", tally)
        for (name, severity), tally in sums.items()
    )
    return Proof(subject, extent, healthy, tuple(rows))


def _made(prover: Prover, todo: Iterable[Piece], jobs: int) -> Iterator[tuple[Piece, Tally]]:
    if jobs == 1:
        for piece in todo:
            yield piece, prover.make(piece)
        return
    global _prover  # noqa: PLW0603 - what forked processes inherit
    _prover = prover
    pool = ProcessPoolExecutor(
        jobs,
        mp_context=multiprocessing.get_context("fork"),
        initializer=_started,
        initargs=(os.getpid(),),
    )
    try:
        waiting = {pool.submit(_make, piece): piece for piece in todo}
        while waiting:
            ready, _ = wait(waiting, return_when=FIRST_COMPLETED)
            for future in ready:
                yield waiting.pop(future), future.result()
    finally:
        pool.shutdown(cancel_futures=True)
        _prover = None
