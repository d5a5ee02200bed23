"""Show and export the keys that seal records."""

from __future__ import annotations

import json
from pathlib import Path

import click

from verifier.commands.options import json_option, station_option


@click.group()
def keys() -> None:
    """Show and export the keys that seal records."""


@keys.command()
@station_option
@json_option
def show(station: Path | None, as_json: bool) -> None:
    """Show the fingerprint and the role of each of this station's keys."""
    from verifier.seal import fingerprint, public_keys
    from verifier.store.station import Station

    bench = Station.at(station)
    own = public_keys(bench.keys)
    if as_json:
        rows = [{"thumbprint": key.thumbprint, "roles": sorted(key.roles)} for key in own]
        click.echo(json.dumps({"station": bench.name, "keys": rows}, indent=2))
        return
    if not own:
        click.echo(f"{bench.keys} holds no key yet. One is made when the first record is sealed.")
        return
    for key in own:
        click.echo(f"{', '.join(sorted(key.roles))}: {key.thumbprint}")
        click.echo(f"    to compare by eye or by telephone: {fingerprint(key.thumbprint)}")


@keys.command()
@click.option("--role", type=click.Choice(["station", "self", "simulated"]), help="Only the key of this role.")
@click.option("--name", help="The station's name in the list. [default: the name in station.toml]")
@station_option
def export(role: str | None, name: str | None, station: Path | None) -> None:
    """Print the public keys as a JWK set, for `verifier audit --trust FILE`.

    Hand it over on another way than the records that it is to vouch for.
    """
    from verifier.errors import InputError
    from verifier.seal import key_set, load_all
    from verifier.store.station import Station, valid_name

    bench = Station.at(station)
    own = [key for key in load_all(bench.keys) if role in (None, key.role)]
    if not own:
        raise InputError(
            f"there is no key{f' of role {role}' if role else ''} to export",
            where=str(bench.keys),
            to_do="`verifier station init` makes one, and so does the first run that is sealed.",
        )
    called = valid_name(name) if name else bench.name
    click.echo(json.dumps(key_set(own, called), indent=2, ensure_ascii=False))
