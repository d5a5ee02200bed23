"""`run` and `resume`: the main job."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from verifier.commands.options import complete_run, complete_suite, json_option, station_option
from verifier.errors import InputError

if TYPE_CHECKING:
    from verifier.declare.order import RepairOrder
    from verifier.declare.suite import Suite
    from verifier.gather.acts import Wish
    from verifier.store.station import Station

FILE = click.Path(dir_okay=False, path_type=Path)
STAGES = click.Choice(["arrival", "open", "closed", "finished"])


def _common(command: Any) -> Any:
    for decorate in (
        json_option,
        click.option(
            "--junit", type=FILE, metavar="FILE", help="Also write the results as JUnit XML, when sealed."
        ),
        click.option("--out", type=FILE, metavar="FILE", help="Also write the report to this file."),
        station_option,
        click.option(
            "--scripted",
            is_flag=True,
            help="At a simulated unit: have its scripted technician answer the prompts, and do what is asked.",
        ),
        click.option("--answers", type=FILE, metavar="FILE", help="Prepared answers to the prompts, TOML."),
        click.option("--stage", type=STAGES, help="Take only this stage now; the run pauses if others are left."),
        click.option("--technician", metavar="NAME", help="Who is at the bench."),
    ):
        command = decorate(command)
    return command


@click.command()
@click.argument("suite", shell_complete=complete_suite)
@click.option("--serial", metavar="NUMBER", help="The unit's serial number, where it cannot be scanned.")
@click.option("--repair", type=FILE, metavar="FILE", help="The repair order, TOML.")
@click.option("--replaced", multiple=True, metavar="PART", help="A part that was replaced; may be repeated.")
@click.option(
    "--at",
    default="local",
    show_default=True,
    metavar="WHERE",
    help="Where the probes read: local, recorded:DIR, ssh://USER@HOST[:PORT], serial:PORT, none, simulated, "
    "simulated:FILE.",
)
@click.option(
    "--host-key",
    metavar="FINGERPRINT",
    help="Of a unit behind ssh://: takes its key, SHA256:..., as the right one.",
)
@click.option(
    "--seed", type=click.IntRange(0, 2**53 - 1), metavar="N", help="Of a simulated unit: the same readings again."
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME[=SEVERITY]",
    help="Put a fault into the simulated unit (`verifier suite faults` lists them); may be repeated.",
)
@_common
def run(
    suite: str,
    serial: str | None,
    repair: Path | None,
    replaced: tuple[str, ...],
    at: str,
    host_key: str | None,
    seed: int | None,
    faults: tuple[str, ...],
    technician: str | None,
    stage: str | None,
    answers: Path | None,
    scripted: bool,
    station: Path | None,
    out: Path | None,
    junit: Path | None,
    as_json: bool,
) -> int:
    """Run SUITE (a file, or the name of a shipped suite) on a unit.

    Exit code: 0 release, 1 not released, 2 bad usage or input, 3 paused and resumable.
    """
    from verifier import flow
    from verifier.commands.carrying_out import Request, carry_out, refuse_unwritable
    from verifier.declare.answers import load_answers
    from verifier.declare.lint import load_suite
    from verifier.declare.plan import make_plan
    from verifier.gather.catalogue import load_catalogue
    from verifier.gather.serials import serial_problem
    from verifier.readings import Person
    from verifier.shipped import find_suite
    from verifier.store.station import Station

    refuse_unwritable(out=out, junit=junit)
    loaded = load_suite(find_suite(suite), load_catalogue())
    for warning in loaded.warnings:
        click.echo(warning.sentence(str(loaded.path)), err=True)
    order = _order(repair, replaced, loaded.suite)
    for where, number in (("--serial", serial), (f"{repair}: serial", order.serial)):
        if number and (problem := serial_problem(loaded.suite.serial, number)):
            raise InputError(f"{number[:100]} {problem}", where=where, to_do="Look at the label again.")
    prepared = load_answers(answers, loaded.suite) if answers else None
    person: Person | None = None
    if technician:
        person = Person(name=technician, known="option")
    elif order.technician:
        person = Person(name=order.technician, known="order")
    plan = make_plan(loaded.suite, loaded.text, loaded.sha256, order)
    bench = Station.at(station)
    _know(bench, at, host_key, as_json)
    running = flow.begin(
        bench,
        plan,
        at=at,
        technician=person,
        serial=serial,
        pictures=loaded.path.parent,
        seed=seed,
        faults=faults,
    )
    request = Request(person, prepared, stage, scripted, as_json, out, junit)
    return carry_out(running, request, resumed=False)


def _know(station: Station, at: str, host_key: str | None, as_json: bool) -> None:
    """See to it that the key of a unit behind SSH is pinned before anything is read over it."""
    from verifier.flow import ssh_folder

    if not at.startswith("ssh:"):
        if host_key is not None:
            raise InputError("only a unit behind ssh:// has a host key", where="--host-key", to_do="Leave it out.")
        return
    from verifier.gather.hosts.host_keys import ensure_pinned

    def confirm(machine: str, fingerprint: str) -> bool:
        click.echo(f"This station has never reached {machine}. Its key is {fingerprint}.", err=True)
        return click.confirm("Is that the key of the unit on the bench?", default=False, err=True)

    interactive = sys.stdin.isatty() and sys.stdout.isatty() and not as_json
    ensure_pinned(ssh_folder(station), at, given=host_key, confirm=confirm if interactive else None)


@click.command()
@click.argument("run", required=False, shell_complete=complete_run("open"))
@click.option(
    "--correct", multiple=True, metavar="CHECK=VALUE", help="Correct an answer; the first stays visible."
)
@click.option("--again", multiple=True, metavar="CHECK", help="Set a finding aside and take the check again.")
@click.option(
    "--reopen", multiple=True, metavar="PART", help="The unit was opened again: void what that disturbs."
)
@click.option("--waive", multiple=True, metavar="JOINT", help="Accept a joint that no check covers.")
@click.option("--why", metavar="TEXT", help="The reason for these acts; needed with any of them.")
@_common
def resume(
    run: str | None,
    correct: tuple[str, ...],
    again: tuple[str, ...],
    reopen: tuple[str, ...],
    waive: tuple[str, ...],
    why: str | None,
    technician: str | None,
    stage: str | None,
    answers: Path | None,
    scripted: bool,
    station: Path | None,
    out: Path | None,
    junit: Path | None,
    as_json: bool,
) -> int:
    """Go on with RUN after a pause, a crash or a power cycle; without RUN, with the newest open one.

    Exit code: 0 release, 1 not released, 2 bad usage or input, 3 paused and resumable.
    """
    from verifier import flow
    from verifier.commands.carrying_out import Request, carry_out, refuse_unwritable
    from verifier.declare.answers import load_answers
    from verifier.readings import Person
    from verifier.store.station import Station

    refuse_unwritable(out=out, junit=junit)
    wishes = _wishes(correct, again, reopen, waive, why)
    running = flow.reopen(Station.at(station), run)
    prepared = load_answers(answers, running.state.plan.suite) if answers else None
    person = Person(name=technician, known="option") if technician else running.state.technician
    request = Request(person, prepared, stage, scripted, as_json, out, junit, wishes)
    return carry_out(running, request, resumed=True)


def _order(repair: Path | None, replaced: Sequence[str], suite: Suite) -> RepairOrder:
    from verifier.declare.order import RepairOrder, Replaced
    from verifier.declare.order_file import load_order

    order = load_order(repair, suite) if repair else RepairOrder()
    named = {r.part for r in order.replaced}
    for part in replaced:
        if part not in suite.parts:
            known = ", ".join(suite.parts) or "none"
            raise InputError(f"the suite has no part {part!r}", where="--replaced", to_do=f"It has: {known}.")
    more = tuple(Replaced(part=part) for part in dict.fromkeys(replaced) if part not in named)
    return order.model_copy(update={"replaced": (*order.replaced, *more)})


def _wishes(
    correct: Sequence[str], again: Sequence[str], reopen: Sequence[str], waive: Sequence[str], why: str | None
) -> list[Wish]:
    from verifier.gather.acts import Wish

    wishes: list[Wish] = []

    def add(kind: Literal["correct", "again", "reopen", "waive"], subject: str, value: str | None = None) -> None:
        wishes.append(Wish(kind=kind, subject=subject, why=why or "", value=value))

    # The unit is opened first, and waived last: so that each act sees what the ones before it did.
    for part in reopen:
        add("reopen", part)
    for text in correct:
        check, equals, value = text.partition("=")
        if not equals:
            raise InputError(f"{text!r} has no value", where="--correct", to_do="Write --correct CHECK=VALUE.")
        add("correct", check, value)
    for check in again:
        add("again", check)
    for joint in waive:
        add("waive", joint)
    if wishes and not (why and why.strip()):
        raise InputError("an act needs a reason", where=f"--{wishes[0].kind}", to_do='Add --why "...".')
    return wishes
