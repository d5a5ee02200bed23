"""`trends`: what fails, how often, and how sure that is."""

from __future__ import annotations

from pathlib import Path

import click

from verifier.commands.options import json_option, print_json, station_option
from verifier.errors import InputError


@click.command()
@click.option("--model", metavar="MODEL", help="One model. [default: all that this station has]")
@click.option("--simulated", is_flag=True, help="Count simulated runs and recordings too.")
@station_option
@json_option
def trends(model: str | None, simulated: bool, station: Path | None, as_json: bool) -> None:
    """First-time results of each check, the ones that fail most often first.

    What was taken again counts as it was the first time. Intervals are exact, 95 %.
    """
    from verifier.judge.proportions import clopper_pearson
    from verifier.store.records import models, tallies
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
        (name, tally, clopper_pearson(tally.failed, tally.judged))
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
                    "failed_interval_95": interval,
                }
                for name, t, interval in rows
            ]
        )
        return
    if not rows:
        click.echo("Nothing judged is stored yet. `verifier run SUITE` adds a run.")
        return
    width = max(len(t.check) for _, t, _ in rows)
    for name in dict.fromkeys(name for name, _, _ in rows):
        click.echo(f"{name}: failed the first time, of those judged (95 % interval)")
        for _, tally, (low, high) in (row for row in rows if row[0] == name):
            click.echo(
                f"  {tally.check:<{width}}  {tally.failed:>5} of {tally.judged:<5} "
                f"{100 * low:5.1f} % to {100 * high:5.1f} %"
            )
