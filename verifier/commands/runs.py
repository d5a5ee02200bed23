"""`runs` and `report`: what this station has done, and its reports again."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from verifier.commands.options import complete_run, json_option, print_json, station_option
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
        print_json(rows)
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
    empty = dict.fromkeys(("run", "state", "model", "serial", "ticket", "role", "note"))
    row: dict[str, str | None] = empty | {"run": folder.name, "state": "damaged"}
    try:
        from verifier.seal import record_in

        file = record_in(folder)
        return row | (_open_run(folder) if file is None else _sealed_run(file, own, proofs))
    except VerifierError as error:
        return row | {"note": error.what}
    except OSError as error:
        return row | {"note": str(error)}


def _sealed_run(file: Path, own: TrustList | None, proofs: Proofs) -> dict[str, str | None]:
    from verifier.seal import Standing, amended_words, amendments_of, read_sealed, report_in

    sealed = read_sealed(file)
    record, disposition = sealed.record, sealed.record.outcome.disposition.value
    standing = amendments_of(file.parent, sealed, own, proofs) if own is not None else Standing()
    now = standing.fields(record)
    state, note = disposition, record.outcome.reason
    if report_in(file.parent) is None:
        note = "sealed, report still to be written: verifier resume"
    if standing.word in ("voided", "superseded"):
        state, note = standing.word, f"{amended_words(standing)} (it said {disposition})"
    elif standing.word:
        note = f"{note}; {amended_words(standing)}"
    if standing.problems:
        note = f"{note}; {' '.join(standing.problems)}"
    return {
        "state": state,
        "model": record.suite.model,
        "serial": _text(now["serial"]),
        "ticket": _text(now["ticket"]),
        "role": record.role,
        "note": note,
    }


def _open_run(folder: Path) -> dict[str, str | None]:
    from verifier.gather.journal import read
    from verifier.gather.state import replay

    events = read(folder / "journal").events
    if not events:
        return {"state": "empty", "note": "ended before anything was journalled"}
    state = replay(events)
    checks = len(state.plan.suite.checks)
    last = state.interruptions[-1] if state.interruptions else None
    why = f"; {last.why}" if last and last.resumed is None and last.why else ""
    if state.quarantined is not None:
        why += "; the unit is quarantined"
    return {
        "state": "open",
        "model": state.plan.suite.model,
        "serial": state.serial,
        "ticket": state.plan.order.ticket,
        "role": state.role,
        "note": f"{checks - len(state.pending())} of {checks} checks done{why}",
    }


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None


Audience = Literal["bench", "customer"]
PAGES: dict[Audience, str] = {"bench": "report.html", "customer": "customer.html"}


@click.command()
@click.argument("run", required=False, shell_complete=complete_run("sealed"))
@click.option(
    "--all", "everything", is_flag=True, help="Every report of this station, and customers' pages there are."
)
@click.option(
    "--for",
    "audience",
    type=click.Choice(["bench", "customer"]),
    help="For whom: customer is one page in plain words, without anybody's name. [default: bench]",
)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="Write it here.")
@station_option
def report(
    run: str | None, everything: bool, audience: Audience | None, out: Path | None, station: Path | None
) -> int:
    """Render the report of RUN again from its sealed record. RUN is a run's name or a sealed record's file.

    What was amended since is shown first. With --all, every report of the station is rendered again, the newest
    first; Ctrl-C ends that between two of them. Exit code: 0 all, 1 interrupted, 2 at least one could not be.
    """
    from verifier.store.station import Station

    if everything == bool(run):
        raise click.UsageError("Name one run, or give --all.")
    bench = Station.at(station)
    if everything:
        if audience or out:
            raise click.UsageError("--for and --out are for one report: --all renders those that are there.")
        return _render_all(bench)
    file, sealed = sealed_of(bench, run or "")
    click.echo(f"Report: {_render(bench, file, sealed, audience or 'bench', out)}")
    return 0


def _render(bench: Station, file: Path, sealed: Sealed, audience: Audience, out: Path | None = None) -> Path:
    """Writes the report of the sealed record in `file`; where it is."""
    from verifier.flow import report_page
    from verifier.seal import named
    from verifier.store.disk import write_aside

    target = out or file.with_name(named(PAGES[audience], sealed.record.role))
    write_aside(target, report_page(bench, sealed, file.parent, audience=audience))
    return target


def _render_all(bench: Station) -> int:
    from verifier.seal import named, read_sealed, record_in, report_in

    folders = sorted(bench.runs.iterdir(), reverse=True) if bench.runs.is_dir() else []
    files = [file for folder in folders if (file := record_in(folder)) and report_in(folder)]
    done, failed = 0, 0
    try:
        with click.progressbar(files, label="Reports", show_pos=True, file=sys.stderr) as bar:
            for file in bar:
                try:
                    sealed = read_sealed(file)
                    _render(bench, file, sealed, "bench")
                    if file.with_name(named(PAGES["customer"], sealed.record.role)).is_file():
                        _render(bench, file, sealed, "customer")
                    done += 1
                except (VerifierError, OSError) as error:
                    failed += 1
                    click.echo(f"\n{file.parent.name}: {error}", err=True)
    except KeyboardInterrupt:
        click.echo(f"\nInterrupted: {done} of {len(files)} reports are new. `verifier report --all` begins again.")
        return 1
    click.echo(f"{done} of {len(files)} reports rendered again.")
    return 2 if failed else 0


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
