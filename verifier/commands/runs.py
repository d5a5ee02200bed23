"""`runs` and `report`: what this station has done, and its reports again."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from verifier.commands.options import complete_run, json_option, station_option
from verifier.errors import InputError, VerifierError

if TYPE_CHECKING:
    from verifier.seal import Proofs, Sealed, TrustList
    from verifier.store.station import Station


@click.command()
@click.option("--all", "everything", is_flag=True, help="All runs. [default: the newest 20]")
@station_option
@json_option
def runs(everything: bool, station: Path | None, as_json: bool) -> None:
    """List the runs of this station, the newest first, and how each stands."""
    from verifier.commands.progress import printable
    from verifier.seal import proofs_from
    from verifier.store.station import Station
    from verifier.store.trusted import own_keys

    bench = Station.at(station)
    folders = sorted((f for f in bench.runs.iterdir() if f.is_dir()), reverse=True) if bench.runs.is_dir() else []
    shown = folders if everything else folders[:20]
    try:
        own: TrustList | None = own_keys(bench)
    except VerifierError as error:
        own = None
        click.echo(f"Amendments are not shown: {error}", err=True)
    rows = [_row(folder, own, proofs_from(bench.ledger)) for folder in shown]
    if as_json:
        click.echo(json.dumps(rows, ensure_ascii=False, indent=2))
        return
    if not rows:
        click.echo("No runs yet. Start one with: verifier run SUITE")
        return
    for row in rows:
        unit = " ".join(str(row[key]) for key in ("model", "serial", "ticket") if row[key])
        if row["role"] == "simulated":
            unit += " (simulated)"
        click.echo(f"{row['run']}  {row['state']:<10} {printable(unit)}  {printable(str(row['note']))}".rstrip())
    if len(folders) > len(shown):
        click.echo(f"and {len(folders) - len(shown)} older ones: verifier runs --all")


def _row(folder: Path, own: TrustList | None, proofs: Proofs) -> dict[str, str | None]:
    row: dict[str, str | None] = {
        "run": folder.name,
        "state": "damaged",
        "model": None,
        "serial": None,
        "ticket": None,
        "role": None,
        "note": "",
    }
    try:
        from verifier.seal import Standing, amended_words, amendments_of, read_sealed, record_in, report_in

        if (file := record_in(folder)) is not None:
            sealed = read_sealed(file)
            record = sealed.record
            disposition = record.outcome.disposition.value
            row |= {"state": disposition, "model": record.suite.model, "serial": record.unit.serial}
            row |= {"ticket": record.order.ticket, "note": record.outcome.reason, "role": record.role}
            if report_in(folder) is None:
                row["note"] = "sealed, report still to be written: verifier resume"
            standing = amendments_of(folder, sealed, own, proofs) if own is not None else Standing()
            now = standing.fields(record)
            row |= {"serial": _text(now["serial"]), "ticket": _text(now["ticket"])}
            if standing.word in ("voided", "superseded"):
                row |= {"state": standing.word, "note": f"{amended_words(standing)} (it said {disposition})"}
            elif standing.word:
                row["note"] = f"{row['note']}; {amended_words(standing)}"
            if standing.problems:
                row["note"] = f"{row['note']}; {' '.join(standing.problems)}"
        else:
            from verifier.gather.journal import read
            from verifier.gather.state import replay

            events = read(folder / "journal").events
            if not events:
                return row | {"state": "empty", "note": "ended before anything was journalled"}
            state = replay(events)
            done = len(state.plan.suite.checks) - len(state.pending())
            stood_still = state.interruptions[-1] if state.interruptions else None
            why = stood_still.why if stood_still and stood_still.resumed is None else ""
            row |= {"state": "open", "model": state.plan.suite.model, "serial": state.serial}
            row |= {"ticket": state.plan.order.ticket, "role": state.role}
            row["note"] = f"{done} of {len(state.plan.suite.checks)} checks done{f'; {why}' if why else ''}"
    except (VerifierError, OSError) as error:
        row["note"] = error.what if isinstance(error, VerifierError) else str(error)
    return row


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None


@click.command()
@click.argument("run", shell_complete=complete_run("sealed"))
@click.option(
    "--for",
    "audience",
    type=click.Choice(["bench", "customer"]),
    default="bench",
    show_default=True,
    help="For whom: customer is one page in plain words, without anybody's name.",
)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="Write it here.")
@station_option
def report(run: str, audience: Literal["bench", "customer"], out: Path | None, station: Path | None) -> None:
    """Render the report of RUN again from its sealed record. RUN is a run's name or a sealed record's file.

    What was amended since is shown first.
    """
    from verifier.flow import report_page
    from verifier.seal import named
    from verifier.store.disk import write_aside
    from verifier.store.station import Station

    bench = Station.at(station)
    file, sealed = sealed_of(bench, run)
    name = "report.html" if audience == "bench" else "customer.html"
    target = out or file.with_name(named(name, sealed.record.role))
    write_aside(target, report_page(bench, sealed, file.parent, audience=audience))
    click.echo(f"Report: {target}")


def sealed_of(bench: Station, run: str) -> tuple[Path, Sealed]:
    """A sealed record's file and the record. InputError where there is none."""
    from verifier.seal import read_sealed, record_in

    in_station = record_in(bench.runs / run) if Path(run).name == run else None
    file = in_station or Path(run)
    if not file.is_file():
        open_run = (bench.runs / run / "journal").is_file()
        raise InputError(
            f"run {run} is not sealed yet" if open_run else f"there is no sealed run {run}",
            where=str(bench.runs),
            to_do=f"`verifier resume {run}` goes on with it." if open_run else "`verifier runs` lists the runs.",
        )
    return file, read_sealed(file)
