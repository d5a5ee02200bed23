"""`trends`: what fails, how often, and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from verifier.commands.options import json_option, print_json, station_option
from verifier.errors import InputError

if TYPE_CHECKING:
    from verifier.store.records import Tally


@click.command()
@click.option("--model", metavar="MODEL", help="One model. [default: all that this station has]")
@click.option("--simulated", is_flag=True, help="Count simulated runs and recordings too.")
@station_option
@json_option
def trends(model: str | None, simulated: bool, station: Path | None, as_json: bool) -> None:
    """First-time results of each check, the ones that fail most often first.

    What was taken again counts as it was the first time. Intervals are exact, 95 %, each for its check alone.
    A bench error counts for the bench, never for the unit.
    """
    from verifier.judge.proportions import clopper_pearson
    from verifier.store.records import models, run_counts, tallies
    from verifier.store.station import Station

    path = Station.at(station).store_file
    known = models(path)
    if model is not None and model not in known:
        raise InputError(
            f"no record of model {model} is stored",
            where=str(path),
            to_do=f"There are: {', '.join(known) or 'none'}.",
        )
    rows = [
        (name, tally, clopper_pearson(tally.failed, tally.judged) if tally.judged else None)
        for name in ([model] if model else known)
        for tally in tallies(path, name, simulated=simulated)
    ]
    if as_json:
        print_json(
            [
                {
                    "model": name,
                    "check": t.check,
                    "judged": t.judged,
                    "passed": t.passed,
                    "failed": t.failed,
                    "undecided": t.undecided,
                    "bench_errors": t.spoilt,
                    "failed_interval_95": interval,
                }
                for name, t, interval in rows
            ]
        )
        return
    if not rows:
        only = "Only simulated runs and recordings are stored: --simulated counts them."
        click.echo(
            only if known and not simulated else "Nothing judged is stored yet. `verifier run SUITE` adds a run."
        )
        return
    width = max(len(t.check) for _, t, _ in rows)
    for name in dict.fromkeys(name for name, _, _ in rows):
        counts = run_counts(path, name, simulated=simulated)
        ended = ", ".join(f"{n} {disposition}" for disposition, n in counts.items())
        total = sum(counts.values())
        click.echo(f"{name}, {total} {'run' if total == 1 else 'runs'}: {ended}")
        click.echo("  failed the first time, of those judged (95 % interval)")
        mine = [row for row in rows if row[0] == name]
        for _, tally, interval in mine:
            click.echo(f"  {tally.check:<{width}}  {_told(tally, interval)}")
        if len(mine) >= 20:
            click.echo(f"  Of {len(mine)} such intervals about {len(mine) / 20:.0f} may miss the true rate.")
    if simulated:
        click.echo("Simulated runs and recordings are counted too; what was put into them on purpose fails.")


def _told(tally: Tally, interval: tuple[float, float] | None) -> str:
    judged = "never judged"
    if interval is not None:
        low, high = (f"{100 * end:5.1f} %" for end in interval)
        judged = f"{tally.failed:>5} of {tally.judged:<5} {low} to {high}"
    beside = ((tally.undecided, "undecided"), (tally.spoilt, "bench errors"))
    return f"{judged:<29}  {', '.join(f'{what}: {n}' for n, what in beside if n)}".rstrip()
