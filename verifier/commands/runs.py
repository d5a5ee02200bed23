"""`runs` and `report`: what this station has done, and its reports again."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verifier.commands.options import json_option, station_option
from verifier.errors import InputError, VerifierError

if TYPE_CHECKING:
    from verifier.seal import Sealed
    from verifier.store.station import Station


@click.command()
@click.option("--all", "everything", is_flag=True, help="All runs. [default: the newest 20]")
@station_option
@json_option
def runs(everything: bool, station: Path | None, as_json: bool) -> None:
    """List the runs of this station, the newest first, and how each stands."""
    from verifier.commands.progress import printable
    from verifier.store.station import Station

    bench = Station.at(station)
    folders = sorted((f for f in bench.runs.iterdir() if f.is_dir()), reverse=True) if bench.runs.is_dir() else []
    shown = folders if everything else folders[:20]
    rows = [_row(folder) for folder in shown]
    if as_json:
        click.echo(json.dumps(rows, ensure_ascii=False, indent=2))
        return
    if not rows:
        click.echo("No runs yet. Start one with: verifier run SUITE")
        return
    for row in rows:
        unit = " ".join(str(row[key]) for key in ("model", "serial", "ticket") if row[key])
        click.echo(f"{row['run']}  {row['state']:<9} {printable(unit)}  {printable(str(row['note']))}".rstrip())
    if len(folders) > len(shown):
        click.echo(f"and {len(folders) - len(shown)} older ones: verifier runs --all")


def _row(folder: Path) -> dict[str, str | None]:
    row: dict[str, str | None] = {
        "run": folder.name,
        "state": "damaged",
        "model": None,
        "serial": None,
        "ticket": None,
        "note": "",
    }
    try:
        from verifier.seal import read_sealed, record_in, report_in

        if (file := record_in(folder)) is not None:
            record = read_sealed(file).record
            disposition = record.outcome.disposition.value
            row |= {"state": disposition, "model": record.suite.model, "serial": record.unit.serial}
            row |= {"ticket": record.order.ticket, "note": record.outcome.reason}
            if report_in(folder) is None:
                row["note"] = "sealed, report still to be written: verifier resume"
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
            row |= {"ticket": state.plan.order.ticket}
            row["note"] = f"{done} of {len(state.plan.suite.checks)} checks done{f'; {why}' if why else ''}"
    except (VerifierError, OSError) as error:
        row["note"] = error.what if isinstance(error, VerifierError) else str(error)
    return row


@click.command()
@click.argument("run")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="Write it here.")
@station_option
def report(run: str, out: Path | None, station: Path | None) -> None:
    """Render the report of RUN again from its sealed record. RUN is a run's name or a sealed record's file."""
    from verifier.flow import report_page
    from verifier.seal import named
    from verifier.store.disk import write_aside
    from verifier.store.station import Station

    bench = Station.at(station)
    file, sealed = _sealed_of(bench, run)
    target = out or file.with_name(named("report.html", sealed.record.role))
    write_aside(target, report_page(bench, sealed))
    click.echo(f"Report: {target}")


def _sealed_of(bench: Station, run: str) -> tuple[Path, Sealed]:
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
