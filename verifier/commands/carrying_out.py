"""Carries out a run that is open, from a terminal or without one, and tells what came of it."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands.options import print_json
from verifier.commands.progress import Lines, LiveView, printable
from verifier.errors import InputError, VerifierError
from verifier.readings import Stage

if TYPE_CHECKING:
    from verifier.declare.answers import PreparedAnswers
    from verifier.flow import Ended, Running
    from verifier.gather.acts import Wish
    from verifier.gather.prompts.question import Asker
    from verifier.gather.session import Sitting
    from verifier.readings import Person
    from verifier.seal import Sealed
    from verifier.services import Host
    from verifier.store.station import Station

GENERAL_CAUTION = (
    "Mind static, hot surfaces, cells and mains; the maker's service guide and local codes come first."
)


@dataclass(frozen=True, slots=True)
class Request:
    """What the command line asked for, beside the run itself."""

    person: Person | None = None
    """Who is at the bench, where that is known."""
    prepared: PreparedAnswers | None = None
    stage: str | None = None
    scripted: bool = False
    as_json: bool = False
    out: Path | None = None
    """Where a copy of the report goes."""
    junit: Path | None = None
    wishes: Sequence[Wish] = ()


def carry_out(running: Running, request: Request, *, resumed: bool) -> int:
    """Work through what is pending, seal or pause, and tell; the exit code."""
    from verifier import flow

    if request.scripted and running.state.simulation is None:
        raise InputError(
            "only a simulated unit has a scripted technician", where="--scripted", to_do="Leave it out."
        )
    named = _as_named(running.station)
    with _in_station(running.station):
        attended = sys.stdin.isatty() and sys.stdout.isatty() and not (request.as_json or request.scripted)
        view, sitting = (_at_terminal if attended else _unattended)(running, request)
        if not request.as_json:
            _open(running, attended=attended)
        view.start()
        try:
            ended = flow.carry_on(running, sitting, resumed=resumed)
        finally:
            view.close()
            running.journal.close()
        return _tell(running, ended, request, named)


@contextmanager
def _in_station(station: Station) -> Iterator[None]:
    """Workers learn from the environment which station they work for: there are the far ends it is paired with."""
    before = os.environ.get("VERIFIER_STATION")
    os.environ["VERIFIER_STATION"] = str(station.root)
    try:
        yield
    finally:
        if before is None:
            del os.environ["VERIFIER_STATION"]
        else:
            os.environ["VERIFIER_STATION"] = before


def _at_terminal(running: Running, request: Request) -> tuple[LiveView, Sitting]:
    from verifier.commands.desk import Desk
    from verifier.gather.prompts.terminal import Terminal, TerminalAsker
    from verifier.gather.session import Sitting
    from verifier.store.records import usual_seconds

    state, person = running.state, request.person
    usual = usual_seconds(running.station.store_file, state.plan.suite.model)
    view = LiveView(usual, total=len(state.pending()), state=state)
    terminal = Terminal(sys.stdin.fileno(), view)
    asker = TerminalAsker(terminal, person, state.picture_folder)
    desk = Desk(terminal, asker)

    def asker_for(host: Host) -> Asker:
        if state.simulation is None:
            return _prepared(request, asker)
        from verifier.gather.simulated import SimulatedHost, WithEyes

        if isinstance(host, SimulatedHost):
            return _prepared(request, WithEyes(asker, state.plan.suite, host))
        return _prepared(request, asker)

    async def who() -> Person:
        return person or await desk.person()

    return view, Sitting(
        asker_for=asker_for,
        watcher=view,
        person=who,
        wishes=request.wishes,
        only=_only(request),
        between=desk.between,
        review=desk.review,
    )


def _unattended(running: Running, request: Request) -> tuple[Lines, Sitting]:
    """Nobody is asked: prepared answers serve, and at a simulated unit its scripted technician."""
    from verifier.gather.prompts.prepared import NobodyAsker
    from verifier.gather.session import Sitting

    view = Lines(silent=request.as_json, state=running.state)

    def asker_for(host: Host) -> Asker:
        if not request.scripted:
            return _prepared(request, NobodyAsker())
        from verifier.gather.simulated import scripted

        return _prepared(request, scripted(running.state.plan.suite)(host))

    async def who() -> Person:
        if request.person is None:
            raise InputError("nobody is named for this act", to_do="Add --technician NAME.")
        return request.person

    return view, Sitting(asker_for=asker_for, watcher=view, person=who, wishes=request.wishes, only=_only(request))


def _only(request: Request) -> Stage | None:
    return Stage(request.stage) if request.stage else None


def _prepared(request: Request, otherwise: Asker) -> Asker:
    """Prepared answers first, where there are any."""
    from verifier.gather.prompts.prepared import PreparedAsker

    prepared = request.prepared
    if prepared is None:
        return otherwise
    return PreparedAsker(prepared, request.person, otherwise, label=prepared.label)


def _open(running: Running, *, attended: bool) -> None:
    """What to know before the work: which run this is, how it stands, and what can hurt."""
    from verifier.commands.suite_text import wrapped
    from verifier.declare.fasteners import uncounted

    state = running.state
    suite = state.plan.suite
    click.echo(f"Run {running.run}: {printable(suite.title)}.", err=True)
    more = "; ? at a question tells what else can be typed" if attended else ""
    click.echo(f"Ctrl-C pauses{more}.", err=True)
    if (simulation := state.simulation) is not None:
        click.echo(
            f"Simulated: no real unit, in simulated time; --seed {simulation.seed} gives it again.", err=True
        )
        for fault in simulation.faults:
            click.echo(f"Fault put in: {printable(fault.title)} ({fault.name}={fault.severity}).", err=True)
    click.echo("Cautions:", err=True)
    for caution in (GENERAL_CAUTION, *state.cautions):
        click.echo(wrapped(f"- {printable(caution)}"), err=True)
    if kinds := uncounted(suite, state.plan.order):
        told = (
            f"The repair order does not count {', '.join(kinds)}, which were out in this repair: the unit will be "
            f"held for it. An order is read at the start: fill in [fasteners.{kinds[0]}] with removed and fitted, "
            "and run anew."
        )
        click.echo(wrapped(told), err=True)
    if done := len(suite.checks) - len(state.pending()):
        click.echo(f"{done} of {len(suite.checks)} checks are done.", err=True)


def _as_named(station: Station) -> str:
    """What a command has to say to find this station: nothing where it is the usual one."""
    from verifier.store.station import default_folder

    return "" if default_folder().absolute() == station.root else f" --station {shlex.quote(str(station.root))}"


def _tell(running: Running, ended: Ended, request: Request, named: str) -> int:
    if ended.outcome is None:
        if request.as_json:
            print_json({"run": running.run, "paused": ended.paused_because, "meanwhile": ended.meanwhile})
            return ended.exit_code
        from verifier.commands.suite_text import wrapped

        if ended.meanwhile:
            click.echo(f"\n{wrapped(printable(ended.meanwhile))}")
        click.echo(wrapped(f"Paused ({printable(ended.paused_because)})."))
        click.echo(f"Go on with: verifier resume {running.run}{named}")
        return ended.exit_code
    assert ended.sealed is not None and ended.report is not None  # noqa: S101 - with every outcome
    unwritten = _write_copies(ended.sealed, ended.report, request)
    if ended.new_key:
        click.echo(f"A new key was made to seal with (role {running.state.role}): {ended.new_key}", err=True)
    if ended.store_problem:
        click.echo(ended.store_problem, err=True)
    report = ended.report if unwritten else request.out or ended.report
    if request.as_json:
        print_json(_as_data(running, ended.sealed, report))
        if unwritten:
            raise unwritten
        return ended.exit_code
    from verifier.commands.suite_text import wrapped
    from verifier.show.words import headline

    click.echo("")
    told = printable(headline(ended.outcome))
    click.echo(wrapped(told) if sys.stdout.isatty() else told)
    click.echo(f"Report: {report}")
    click.echo(f"Check it with: verifier audit {shlex.quote(str(report))}{named}")
    if unwritten:
        raise unwritten
    return ended.exit_code


def refuse_unwritable(**copies: Path | None) -> None:
    """InputError for a copy that could not be written at the end: it is told before the work begins."""
    for option, path in copies.items():
        if path is not None and not os.access(path.absolute().parent, os.W_OK | os.X_OK):
            raise InputError(
                "cannot be written: there is no such folder, or nothing may be written to it",
                where=f"--{option} {path}",
                to_do="Name a file in a folder that you may write to.",
            )


def _write_copies(sealed: Sealed, report: Path, request: Request) -> VerifierError | None:
    """What kept a copy from being written: told last, as the run itself is sealed and done."""
    from verifier.show import junit_xml
    from verifier.store.disk import write_aside

    try:
        if request.out is not None:
            write_aside(request.out, report.read_bytes())
        if request.junit is not None:
            write_aside(request.junit, junit_xml(sealed.record))
    except VerifierError as error:
        return error
    return None


def _as_data(running: Running, sealed: Sealed, report: Path) -> dict[str, Any]:
    findings = {check.id: check.finding for check in sealed.record.checks}
    return {
        "run": running.run,
        "disposition": sealed.record.outcome.disposition.value,
        "reason": sealed.record.outcome.reason,
        "checks": {
            name: {
                "verdict": finding.verdict.value if finding and finding.verdict else None,
                "reason": finding.reason if finding else "",
            }
            for name, finding in findings.items()
        },
        "record": str(running.sealed_file),
        "record_sha256": sealed.digest,
        "report": str(report),
    }
