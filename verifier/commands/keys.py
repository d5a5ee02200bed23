"""The keys that seal records, and those that an audit believes: show, export, trust, retire."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands.options import Group, json_option, print_json, station_option
from verifier.errors import InputError

if TYPE_CHECKING:
    from verifier.readings import Role
    from verifier.seal import TrustedKey

ROLES = click.Choice(["station", "self", "simulated"])


@click.group(cls=Group)
def keys() -> None:
    """The keys that seal records: show, export, trust, retire."""


@keys.command()
@station_option
@json_option
def show(station: Path | None, as_json: bool) -> None:
    """Show this station's keys, those it has retired, and those of others that it trusts."""
    from verifier.seal import TrustList, public_keys, retired_keys
    from verifier.store.station import Station

    bench = Station.at(station)
    own, retired = public_keys(bench.keys), retired_keys(bench.keys)
    trusted = list(TrustList.load(bench.trust_file).values()) if bench.trust_file.is_file() else []
    if as_json:
        said = {"keys": own, "retired": retired, "trusted": trusted}
        rows = {name: [_row(key) for key in found] for name, found in said.items()}
        print_json({"station": bench.name, **rows})
        return
    if not own:
        click.echo(f"{bench.keys} holds no key yet. One is made when the first record is sealed.")
    for key in own:
        _tell(key, "")
    for key in retired:
        _tell(key, f"retired at {key.retired.size} records: seals nothing more; " if key.retired else "")
    for key in trusted:
        _tell(key, f"trusted, {key.name or 'no name'}; ")


def _row(key: TrustedKey) -> dict[str, Any]:
    row: dict[str, Any] = {"thumbprint": key.thumbprint, "roles": sorted(key.roles)}
    if key.name:
        row["name"] = key.name
    if key.retired:
        row["retired"] = {"size": key.retired.size, "root": key.retired.root}
    return row


def _tell(key: TrustedKey, state: str) -> None:
    from verifier.seal import fingerprint
    from verifier.show.outside import visible

    click.echo(visible(f"{', '.join(sorted(key.roles))}: {key.thumbprint}"))
    click.echo(visible(f"    {state}to compare by eye or by telephone: {fingerprint(key.thumbprint)}"))


@keys.command()
@click.option("--role", type=ROLES, help="Only the keys of this role.")
@click.option("--name", help="The station's name in the list. [default: the name in station.toml]")
@station_option
def export(role: str | None, name: str | None, station: Path | None) -> None:
    """Print the public keys as a JWK set, for `verifier audit --trust FILE` or `verifier keys trust FILE`.

    Keys that were retired are in it with the ledger's size and root at that time. Hand it over on another way
    than the records that it is to vouch for, and again after a key was retired.
    """
    from verifier.seal import key_set, load_all
    from verifier.seal.keys import retired_entries
    from verifier.store.station import Station, valid_name

    bench = Station.at(station)
    own = [key for key in load_all(bench.keys) if role in (None, key.role)]
    retired = [entry for entry in retired_entries(bench.keys) if role is None or role in entry["roles"]]
    if not own and not retired:
        raise InputError(
            f"there is no key{f' of role {role}' if role else ''} to export",
            where=str(bench.keys),
            to_do="`verifier station init` makes one, and so does the first run that is sealed.",
        )
    called = valid_name(name) if name else bench.name
    exported = key_set(own, called)
    exported["keys"] += [entry | {"name": called} for entry in retired]
    print_json(exported)


@keys.command()
@click.argument("source", metavar="FILE|JWK")
@click.option("--name", help="What to call the station. Keys of one name count as one station's.")
@click.option(
    "--role", "roles", type=ROLES, multiple=True, help="Believe them in this role alone; may be repeated."
)
@click.option("--yes", is_flag=True, help="The fingerprints have been compared: do not ask.")
@station_option
def trust(source: str, name: str | None, roles: tuple[str, ...], yes: bool, station: Path | None) -> None:
    """Believe another station's keys from now on, whenever this station audits.

    FILE|JWK is a file that `verifier keys export` made there, or one key as JSON. Compare the fingerprint with
    the other station on another way than the one the file came by. A key that is trusted already takes the
    new name and roles; that it was retired is never forgotten.
    """
    from verifier.seal.trusting import add, keys_in
    from verifier.store.disk import write_aside
    from verifier.store.station import Station, valid_name

    bench = Station.at(station)
    new = keys_in(source, name=valid_name(name) if name else None, roles=roles)
    for key in new:
        _tell(key, f"{key.name or 'no name'}{', retired' if key.retired else ''}; ")
    if not yes:
        if not sys.stdin.isatty():
            raise InputError(
                "nobody is here to compare the fingerprint",
                to_do="Compare it with the other station by telephone or on paper, then add --yes.",
            )
        click.confirm("Does the other station read out the same?", abort=True)
    bench.create()
    write_aside(bench.trust_file, add(bench.trust_file, new))
    click.echo(f"{len(new)} key{'' if len(new) == 1 else 's'} trusted; kept in {bench.trust_file}")


@keys.command()
@click.argument("role", type=ROLES)
@click.option("--yes", is_flag=True, help="Do not ask.")
@station_option
def retire(role: Role, yes: bool, station: Path | None) -> None:
    """Retire this station's key of ROLE: it seals nothing more, and the next run makes a new one.

    The ledger's size and root are kept with it. A record by this key counts from then on only with a proof that
    it stood in the ledger then, so that whoever took a copy of the key can make no old records. This station
    has those proofs; for others, `verifier report --all` makes reports that carry their own.
    """
    from verifier.seal import fingerprint
    from verifier.seal import retire as retire_key
    from verifier.seal.keys import load
    from verifier.store.station import Station

    bench = Station.at(station)
    key = load(bench.keys, role)
    if key is not None and not yes:
        if not sys.stdin.isatty():
            raise InputError("nobody is here to say yes", to_do="Add --yes; it cannot be undone.")
        click.echo(f"{role}: {fingerprint(key.thumbprint)}")
        click.confirm("Retire it? Its private half is removed; that cannot be undone.", abort=True)
    done = retire_key(bench.keys, role, bench.ledger, bench.name)
    click.echo(f"Retired {done.thumbprint} (role {role}) at {done.retired.size} records, root {done.retired.root}")
    click.echo("Hand the list on to whoever checks your reports: verifier keys export")
    click.echo("Reports that it sealed pass no audit until they are rendered again: verifier report --all")
