"""`amend`: what has to be said of a run after it was sealed, as a new sealed record."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verifier.commands.options import complete_run, json_option, print_json, station_option
from verifier.errors import InputError

if TYPE_CHECKING:
    from verifier.seal import Proofs, Sealed, TrustList
    from verifier.seal.amendment import Kind
    from verifier.store.station import Station


@click.command()
@click.argument("run", shell_complete=complete_run("sealed"))
@click.option(
    "--correct",
    multiple=True,
    metavar="FIELD=VALUE",
    help="Correct what was typed about unit or order: serial, ticket, PART.lot ... An empty value takes it away.",
)
@click.option("--void", is_flag=True, help="The run never counted: wrong unit, spoiled set-up.")
@click.option(
    "--superseded-by", metavar="RUN", shell_complete=complete_run("sealed"), help="A later run takes its place."
)
@click.option("--why", metavar="TEXT", required=True, help="The reason, which every reader of the report sees.")
@click.option("--technician", metavar="NAME", required=True, help="Who says so.")
@station_option
@json_option
def amend(
    run: str,
    correct: tuple[str, ...],
    void: bool,
    superseded_by: str | None,
    why: str,
    technician: str,
    station: Path | None,
    as_json: bool,
) -> None:
    """Correct, void or supersede the sealed RUN.

    Nothing that is sealed is edited: the amendment is a sealed record of its own, entered in the same ledger,
    kept beside the run in `amendments/`. The run's report is rendered again and shows it first; hand both on
    to whoever holds the old report. Findings cannot be corrected: run the suite again and supersede.
    """
    from verifier import __version__, flow
    from verifier.readings import Person
    from verifier.seal import (
        Standing,
        Wanted,
        amendment_for,
        amendments_of,
        load_or_create,
        named,
        proofs_from,
        seal_amendment,
    )
    from verifier.seal.amending import FOLDER
    from verifier.store.disk import write_aside
    from verifier.store.records import set_standing
    from verifier.store.station import Station
    from verifier.store.trusted import own_keys

    kind = _kind(correct, void, superseded_by)
    bench = Station.at(station)
    own, proofs = own_keys(bench), proofs_from(bench.ledger)
    file, sealed = _own(bench, run, own, proofs)
    successor, its_standing = None, Standing()
    if superseded_by:
        successor_file, successor = _own(bench, superseded_by, own, proofs)
        its_standing = amendments_of(successor_file.parent, successor, own, proofs)
    key, _ = load_or_create(bench.keys, sealed.record.role)
    wanted = Wanted(
        kind=kind,
        reason=why,
        by=Person(name=technician, known="option"),
        at=f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
        changes=_changes(correct),
        software={"verifier": __version__},
        successor=successor,
        successor_standing=its_standing,
    )
    trust = own_keys(bench)  # again: the key may have been made just now
    made = seal_amendment(
        amendment_for(wanted, sealed, key, bench.name), sealed, key, bench.ledger, file.parent, trust, proofs
    )
    report = file.with_name(named("report.html", sealed.record.role))
    write_aside(report, flow.report_page(bench, sealed, file.parent))
    try:
        set_standing(bench.store_file, sealed.record.run, amendments_of(file.parent, sealed, trust, proofs).word)
    except InputError as error:
        click.echo(str(error), err=True)  # the store never costs an amendment
    if as_json:
        print_json(
            {
                "run": sealed.record.run,
                "kind": kind,
                "amends": sealed.digest,
                "amendment_sha256": made.digest,
                "ledger_index": made.index,
                "folder": str(file.parent / FOLDER),
                "report": str(report),
            }
        )
        return
    words = {"correct": "Corrected", "void": "Voided", "supersede": "Superseded"}
    click.echo(f"{words[kind]}: run {sealed.record.run}. The amendment is sealed in {file.parent / FOLDER}")
    click.echo(f"Report: {report}")
    if (customer := file.with_name(named("customer.html", sealed.record.role))).is_file():
        click.echo(f"{customer} still says what it said: verifier report {sealed.record.run} --for customer")


def _own(bench: Station, run: str, own: TrustList, proofs: Proofs) -> tuple[Path, Sealed]:
    """A sealed run of this station, as it was sealed. InputError for another station's, and for an altered one."""
    from verifier.commands.runs import sealed_of
    from verifier.seal import Status, check_sealed

    file, sealed = sealed_of(bench, run)
    if sealed.record.station.key not in own:
        raise InputError(
            f"run {sealed.record.run} was sealed at {sealed.record.station.name} with a key that is not here",
            to_do="Do this at that station.",
        )
    if check_sealed(sealed.raw, own, proofs=proofs).status is not Status.UNALTERED:
        raise InputError(
            "this record does not verify, so nothing is sealed about it",
            where=str(file),
            to_do=f"`verifier audit {file}` says what is wrong with it.",
        )
    return file, sealed


def _kind(correct: Sequence[str], void: bool, superseded_by: str | None) -> Kind:
    wanted: list[Kind] = []
    if correct:
        wanted.append("correct")
    if void:
        wanted.append("void")
    if superseded_by:
        wanted.append("supersede")
    if len(wanted) != 1:
        raise InputError(
            "an amendment does one thing" if wanted else "nothing is said that is to be amended",
            to_do="Give --correct FIELD=VALUE (one or more), --void, or --superseded-by RUN.",
        )
    return wanted[0]


def _changes(correct: Sequence[str]) -> dict[str, str]:
    changes: dict[str, str] = {}
    for text in correct:
        field, equals, value = text.partition("=")
        if not equals:
            raise InputError(f"{text!r} has no value", where="--correct", to_do="Write --correct FIELD=VALUE.")
        if field in changes:
            raise InputError(f"{field} is named twice", where="--correct")
        changes[field] = value
    return changes
