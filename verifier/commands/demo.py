"""`demo`: the whole story on simulated units, in a station that can be thrown away."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verifier.commands.options import seed_option
from verifier.errors import InputError

if TYPE_CHECKING:
    from verifier.declare.plan import Plan
    from verifier.flow import Ended
    from verifier.gather.catalogue import ProbeCatalogue
    from verifier.store.station import Station


@dataclass(frozen=True, slots=True)
class Scene:
    """One repair of the invented depot."""

    model: str
    ticket: str
    complaint: str
    technician: str
    replaced: tuple[str, ...]
    faults: tuple[str, ...] = ()


SCENES = (
    Scene(
        "marrowby-quayside",
        "BF-26-01841",
        "Runs hot and switches itself off",
        "T04",
        ("main-board", "heat-sheet"),
    ),
    Scene(
        "marrowby-quayside",
        "BF-26-01847",
        "Card reader on port 2 is slow",
        "T07",
        ("io-board", "heat-sheet"),
        ("usb-2-fast-pair-open", "heat-sheet-half"),
    ),
    Scene("marrowby-gangway", "BF-26-01852", "Cracked glass", "T11", ("screen", "adhesive-ring")),
    Scene(
        "marrowby-gangway",
        "BF-26-01853",
        "Was dropped on the quay",
        "T11",
        ("rear-camera", "adhesive-ring"),
        ("battery-swollen",),
    ),
    Scene("marrowby-orlop", "BF-26-01860", "Loses its time when the engine stops", "T15", ("coin-cell",)),
    Scene(
        "marrowby-orlop",
        "BF-26-01866",
        "Pump 2 does not start",
        "T15",
        ("terminal-board",),
        ("relay-2-stuck",),
    ),
)


@click.command()
@click.option(
    "--station",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="Make the throw-away station here. [default: a new folder for temporary files]",
)
@seed_option
def demo(station: Path | None, seed: int) -> int:
    """Repairs of an invented depot, simulated: sound and faulty units of three models, sealed and reported.

    Nothing outside the new folder is touched. What is simulated says so in its record, its report and its names.
    """
    from verifier.gather.catalogue import load_catalogue
    from verifier.store.station import Station

    made = Station.at(_empty(station))
    probes = load_catalogue()
    click.echo(
        f"{len(SCENES)} repairs at an invented depot, all simulated, with and without faults that were put in.\n"
        f"Throw-away station: {made.root}\n"
    )
    for number, scene in enumerate(SCENES):
        plan = _plan(scene, probes, seed + number)
        ended = _run(made, scene, plan, seed + number)
        _tell(scene, ended)
    return _end(made)


def _empty(wanted: Path | None) -> Path:
    import tempfile

    if wanted is None:
        return Path(tempfile.mkdtemp(prefix="verifier-demo-"))
    if wanted.exists() and (not wanted.is_dir() or any(wanted.iterdir())):
        raise InputError("there is something already", where=str(wanted), to_do="Name a new or empty folder.")
    return wanted


def _plan(scene: Scene, probes: ProbeCatalogue, seed: int) -> Plan:
    from verifier.declare.lint import load_suite
    from verifier.declare.plan import make_plan
    from verifier.gather.simulated import catalogue_for, load_description, unit_file
    from verifier.shipped import find_suite
    from verifier.simulate import order_for, simulation_of

    loaded = load_suite(find_suite(scene.model), probes)
    file = unit_file("simulated", scene.model)
    unit = load_description(file)
    simulation = simulation_of(unit, catalogue_for(file, unit), seed=seed, wanted=scene.faults)
    order = order_for(loaded.suite, simulation, scene.replaced).model_copy(
        update={"ticket": scene.ticket, "complaint": scene.complaint, "technician": scene.technician}
    )
    return make_plan(loaded.suite, loaded.text, loaded.sha256, order)


def _run(station: Station, scene: Scene, plan: Plan, seed: int) -> Ended:
    from verifier import flow
    from verifier.commands.progress import Lines
    from verifier.gather.session import Sitting
    from verifier.gather.simulated import scripted
    from verifier.readings import Person
    from verifier.shipped import find_suite

    person = Person(name=scene.technician, known="order")
    running = flow.begin(
        station,
        plan,
        at="simulated",
        technician=person,
        pictures=find_suite(scene.model).parent,
        seed=seed,
        faults=scene.faults,
    )

    async def who() -> Person:
        return person

    sitting = Sitting(asker_for=scripted(plan.suite), watcher=Lines(silent=True), person=who)
    try:
        return flow.carry_on(running, sitting, resumed=False)
    finally:
        running.journal.close()


def _tell(scene: Scene, ended: Ended) -> None:
    from verifier.commands.suite_text import wrapped
    from verifier.show.words import headline

    click.echo(f"{scene.ticket}  {scene.model}: {scene.complaint}")
    faults = ended.sealed.record.host.faults if ended.sealed else ()
    for told in [f"Fault put in: {fault.title} ({fault.name})." for fault in faults] or ["No fault put in."]:
        click.echo(wrapped(f"  {told}"))
    click.echo(wrapped(f"  {headline(ended.outcome) if ended.outcome else f'Paused: {ended.paused_because}'}"))
    if ended.report is not None:
        click.echo(f"  {ended.report}\n")


def _end(station: Station) -> int:
    from verifier.seal import Status, audit
    from verifier.store.trusted import own_keys

    found = audit([station.runs], own_keys(station))
    good = sum(line.status is Status.UNALTERED for line in found.lines)
    click.echo(f"Audit: {good} of {len(found.lines)} records and reports unaltered, all marked as simulated.\n")
    click.echo(
        "Try next: open one of the reports in a browser, or\n"
        "  verifier run marrowby-quayside --at simulated     be the technician yourself\n"
        "  verifier suite faults marrowby-quayside           what else can be put in, with --fault\n"
        "  verifier suite prove marrowby-orlop --runs 100    which faults a suite finds\n"
        "  verifier run this-computer                        a real run, on this machine\n"
        f"  verifier trends --simulated --station {station.root}\n"
        "                                                    what failed here, with exact intervals\n"
        f"Throw it away with: rm -r {station.root}"
    )
    return 0
