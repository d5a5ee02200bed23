"""`station`: set up and show this bench."""

from __future__ import annotations

from pathlib import Path

import click

from verifier.commands.instruments import instruments, safe
from verifier.commands.options import Group, json_option, print_json, station_option


@click.group(cls=Group)
def station() -> None:
    """Set up and show this bench."""


station.add_command(instruments)
station.add_command(safe)


@station.command()
@click.option("--name", metavar="NAME", help="The bench's name, as reports show it. [default: the computer's]")
@station_option
def init(name: str | None, station: Path | None) -> None:
    """Make the station's folder and its signing key; on a station that exists, change its name."""
    from verifier.seal import load_or_create
    from verifier.store.station import Station

    bench = Station.at(station)
    bench.create(name)
    key, made = load_or_create(bench.keys, "station")
    click.echo(f"Station {bench.name} in {bench.root}")
    click.echo(f"Key {key.thumbprint}{' (new)' if made else ''}, role station")
    click.echo("Keep a copy of its public half with whoever checks your reports: verifier keys export")


@station.command()
@station_option
@json_option
def show(station: Path | None, as_json: bool) -> None:
    """Show the station's name, folder, keys and how many runs it holds."""
    from verifier.seal import public_keys, record_in
    from verifier.store.station import Station

    bench = Station.at(station)
    keys = {key.thumbprint: list(key.roles) for key in public_keys(bench.keys)}
    runs = [folder for folder in bench.runs.iterdir() if folder.is_dir()] if bench.runs.is_dir() else []
    sealed = [folder for folder in runs if record_in(folder)]
    if as_json:
        facts = {
            "name": bench.name,
            "folder": str(bench.root),
            "exists": bench.exists,
            "keys": keys,
            "runs": len(runs),
            "sealed": len(sealed),
        }
        print_json(facts)
        return
    click.echo(f"Station  {bench.name}{'' if bench.exists else ' (not set up yet: verifier station init)'}")
    click.echo(f"Folder   {bench.root}")
    for thumbprint, roles in keys.items():
        click.echo(f"Key      {thumbprint}  role {', '.join(roles)}")
    click.echo(f"Runs     {len(runs)}, of which {len(sealed)} are sealed")
