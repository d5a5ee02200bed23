"""`suite prove --real`: one round with a deliberate fault on a scrap or reference unit, and the count so far.

The runs stand in a station of their own below the real one, with a key of its own: no trend, ledger or store of
repaired units ever sees them, and the order in each record says what was put in.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verifier.errors import InputError

if TYPE_CHECKING:
    from verifier.declare.lint import LoadedSuite
    from verifier.gather.simulated.faults import Faults
    from verifier.readings import InjectedFault
    from verifier.store.station import Station
    from verifier.trends.trials import Round, Rounds

FOLDER = "trials"
CAUTIONS = (
    "Only on a scrap or reference unit that never goes back to a customer, and mark it so.",
    "Isolate it and take the battery out of circuit before you open it; earth yourself (ESD). Mains, charged "
    "capacitors and lithium cells: the maker's service guide and local rules go before anything said here.",
    "No fault that shorts or heats a cell, or defeats a guard or an earth.",
)
MOTTO = "counted on real units with deliberate faults"


def next_round(
    loaded: LoadedSuite, faults: Faults, chosen: Sequence[InjectedFault], rounds: Rounds
) -> tuple[str, str]:
    """What is tried next: what was tried least, sound unit and faults in turn; a fault that was named always."""
    if chosen:
        return chosen[0].name, chosen[0].severity
    tried = [(found.fault, found.severity) for found in rounds.of(loaded.sha256)]
    every = [("", ""), *((name, fault.usual) for name, fault in faults.faults.items())]
    return min(every, key=lambda one: (tried.count(one), every.index(one)))


def prove_real(
    loaded: LoadedSuite,
    faults: Faults,
    chosen: Sequence[InjectedFault],
    *,
    station: Station,
    at: str,
    technician: str | None,
    answers: Path | None,
) -> int:
    """One round, then the count so far. Exit code 0; 3 where the run paused: the next round goes on with it."""
    from verifier import flow
    from verifier.commands.carrying_out import Request, carry_out
    from verifier.commands.suite_text import wrapped
    from verifier.declare.answers import load_answers
    from verifier.declare.order import RepairOrder
    from verifier.declare.plan import make_plan
    from verifier.readings import Person
    from verifier.trends.trials import Round

    trials, rounds = _opened(station, loaded)
    person = Person(name=technician, known="option") if technician else None
    going = rounds.open()
    if going is not None and (ended := _ended(going, trials)) is not None:
        rounds.keep(ended)  # sealed, and cut off before it was counted
        going = None
    resumed = going is not None
    if going is None:
        name, severity = next_round(loaded, faults, chosen, rounds)
        what = f"{faults.faults[name].title} ({name}={severity})" if name else "no fault, the unit as it should be"
        for caution in CAUTIONS:
            click.echo(wrapped(f"Caution: {caution}"), err=True)
        before = sum((r.fault, r.severity) == (name, severity) for r in rounds.of(loaded.sha256))
        click.echo(f"Round {before + 1}, put in on purpose: {what}.", err=True)
        _confirm("Is it in, and nothing else?" if name else "Is the unit sound and whole?")
        plan = make_plan(
            loaded.suite, loaded.text, loaded.sha256, RepairOrder(complaint=f"Deliberate fault: {what}")
        )
        running = flow.begin(trials, plan, at=at, technician=person, pictures=loaded.path.parent)
        going = Round(loaded.sha256, name, severity, running.run)
        rounds.keep(going)
    else:
        click.echo(f"Going on with {going.run}: {going.fault or 'no fault'}.", err=True)
        running = flow.reopen(trials, going.run)
    prepared = load_answers(answers, loaded.suite) if answers else None
    carry_out(running, Request(person, prepared), resumed=resumed)
    ended = _ended(going, trials)
    if ended is None:
        return 3
    rounds.keep(ended)
    if going.fault:
        _confirm("Take the fault out again. Is it out, and the unit whole?")
    click.echo("\n" + _count(loaded, faults, rounds), nl=False)
    return 0


def counted(loaded: LoadedSuite, faults: Faults, station: Station, *, as_json: bool) -> str:
    """What has been counted so far with this very suite."""
    from verifier.trends.trials import tallies

    _, rounds = _opened(station, loaded)
    if not as_json:
        return _count(loaded, faults, rounds)
    found = tallies(rounds.of(loaded.sha256), _covering(loaded, faults))
    data = [{"fault": name, "severity": severity} | tally.to_json() for (name, severity), tally in found.items()]
    return json.dumps({"what": MOTTO, "model": loaded.suite.model, "suite": loaded.sha256, "rounds": data}) + "\n"


def _opened(station: Station, loaded: LoadedSuite) -> tuple[Station, Rounds]:
    from verifier.store.station import Station as AStation
    from verifier.trends.trials import Rounds

    trials = AStation.at(station.root / FOLDER)
    return trials, Rounds(trials.root / f"{loaded.suite.model}.jsonl")


def _ended(going: Round, trials: Station) -> Round | None:
    """The round with what its sealed record says; None while it is not sealed."""
    from verifier.seal import open_sealed, record_in

    file = record_in(trials.runs / going.run)
    if file is None:
        return None
    record = open_sealed(file.read_bytes()).record
    verdicts = tuple(
        (check.id, check.finding.verdict.value)
        for check in record.checks
        if check.finding is not None and check.finding.verdict is not None
    )
    return replace(going, disposition=record.outcome.disposition.value, verdicts=verdicts)


def _covering(loaded: LoadedSuite, faults: Faults) -> dict[str, frozenset[str]]:
    from verifier.prove import covering

    return {name: covering(loaded.suite, fault.joint) for name, fault in faults.faults.items()}


def _confirm(question: str) -> None:
    if not sys.stdin.isatty():
        raise InputError("a deliberate fault takes somebody at a terminal", to_do="Start this in a terminal.")
    if not click.confirm(question, default=False, err=True):
        raise InputError("nothing was tried", to_do="Start again when it is so.")


def _count(loaded: LoadedSuite, faults: Faults, rounds: Rounds) -> str:
    from verifier.commands.prove_text import counts_text
    from verifier.commands.suite_text import width
    from verifier.trends.detection import FaultTally, Tally
    from verifier.trends.trials import tallies

    found = tallies(rounds.of(loaded.sha256), _covering(loaded, faults))
    healthy = found.pop(("", ""), Tally())
    rows = [
        FaultTally(name, severity, faults.faults[name].title, faults.faults[name].joint or "", tally)
        for (name, severity), tally in found.items()
        if name in faults.faults
    ]
    suite = loaded.suite
    head = f"{MOTTO.capitalize()}: {suite.model} revision {suite.revision}"
    return counts_text(head, loaded.suite, healthy, rows, width())
