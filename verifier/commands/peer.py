"""`peer`: the far end of a cable on the bench computer, and pairing with it."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verifier.commands.options import Group, json_option, station_option
from verifier.errors import InputError

if TYPE_CHECKING:
    from verifier.gather.peer.stations import Known, Stations

MOST_HOURS = 24.0


@click.group(cls=Group, invoke_without_command=True)
@click.option("--listen", metavar="ADDRESS[:PORT]", help="Be a far end on this one address of this computer.")
@click.option(
    "--hours",
    type=click.FloatRange(0, MOST_HOURS, min_open=True),
    default=8.0,
    show_default=True,
    help="End after this long.",
)
@click.option(
    "--pairings",
    type=click.IntRange(0, 16),
    help="So many more stations may pair, each with a code of its own. [default: 1 where none is known, else 0]",
)
@click.option(
    "--serial",
    "lines",
    metavar="PORT[,BAUD]",
    multiple=True,
    help="Send back what comes in on this serial line (8 data bits, no parity; 115200 baud unless given).",
)
@station_option
@click.pass_context
def peer(
    ctx: click.Context,
    listen: str | None,
    hours: float,
    pairings: int | None,
    lines: tuple[str, ...],
    station: Path | None,
) -> None:
    """Far end for network, time and serial checks.

    On the bench computer: verifier peer --listen ADDRESS. It shows a code; on the computer that is tested,
    verifier peer pair ADDRESS asks for it. That is done once: from then on they know each other by their keys.
    """
    if ctx.invoked_subcommand:
        if listen or lines or station or pairings is not None:
            raise click.UsageError(
                f"Options of the far end itself: those of {ctx.invoked_subcommand} go after it."
            )
        return
    if not listen:
        raise click.UsageError("Name one address of this computer with --listen ADDRESS, or give a further word.")
    from verifier.gather.peer.echo import LineEcho
    from verifier.gather.peer.server import Peer

    address, port = _place(listen)
    stations = _stations(station)
    known = stations.all()
    more = pairings if pairings is not None else int(all(one.problem for one in known))
    far_end = Peer(address, port, stations=stations, pairings=more, say=click.echo)
    port = far_end.open()
    echoes = [LineEcho.open(line) for line in lines]
    try:
        click.echo(
            f"Listening on {_shown(address, port)} for {hours:g} h. Ctrl-C ends it; who is paired stays so."
        )
        for one in known:
            _tell(one)
        for echo in echoes:
            click.echo(f"Sending back what comes in on {echo.port} at {echo.baud} baud.")
            echo.start(click.echo)
        if more:
            click.echo(f"Pairing code: {far_end.code}")
            click.echo(f"On the computer that is tested: verifier peer pair {_shown(address, port)}")
        else:
            click.echo("No further station may pair: --pairings 1 lets one in.")
        far_end.serve(hours * 3600)
        click.echo("The time is over. Start it again to go on: who is paired stays so.")
    except KeyboardInterrupt:
        click.echo("Ended.")
    finally:
        far_end.close()
        for echo in echoes:
            echo.close()


@peer.command()
@click.argument("place", metavar="ADDRESS[:PORT]")
@click.option("--name", default="bench", show_default=True, help="The name that suites call it by.")
@click.option("--code", help="The code that it shows. [default: asked for]")
@station_option
def pair(place: str, name: str, code: str | None, station: Path | None) -> None:
    """Pair this station with a far end; an earlier pairing of that name is replaced."""
    from verifier.gather.peer.client import pair as pair_with
    from verifier.gather.peer.key_files import own_key
    from verifier.gather.peer.pairings import keep, valid_name
    from verifier.store.station import Station

    try:
        valid_name(name)
    except ValueError as error:
        raise InputError(str(error), where="--name") from None
    address, port = _place(place)
    typed = code or click.prompt("Pairing code")
    bench = Station.at(station)
    folder = bench.root / "peers"
    keep(folder, pair_with(address, port, typed, name=name, own=own_key(folder), station=bench.name))
    click.echo(f"Paired with {_shown(address, port)} as {name}.")


@peer.command()
@station_option
@json_option
def show(station: Path | None, as_json: bool) -> None:
    """The far ends that this station is paired with."""
    import json

    from verifier.gather.peer.pairings import names, paired
    from verifier.store.station import Station

    folder = Station.at(station).root / "peers"
    found = [paired(folder, name) for name in names(folder)]
    if as_json:
        click.echo(json.dumps([{"name": p.name, "address": p.address, "port": p.port} for p in found]))
        return
    for p in found:
        click.echo(f"{p.name}  {_shown(p.address, p.port)}")
    if not found:
        click.echo("No far end yet. On the bench computer: verifier peer --listen ADDRESS")


@peer.command()
@click.argument("name")
@station_option
def forget(name: str, station: Path | None) -> None:
    """Forget a far end. What the far end knows of this station is forgotten there: `peer revoke`."""
    from verifier.gather.peer.pairings import names
    from verifier.store.station import Station

    folder = Station.at(station).root / "peers"
    if name not in names(folder):
        raise InputError(f"there is no far end {name[:40]!r}", to_do="`verifier peer show` lists them.")
    (folder / f"{name}.json").unlink()
    click.echo(f"Forgot {name}.")


@peer.command()
@station_option
@json_option
def stations(station: Path | None, as_json: bool) -> None:
    """The stations that this far end lets in."""
    import json

    found = _stations(station).all()
    if as_json:
        fields = ("name", "key", "since", "problem")
        click.echo(json.dumps([{field: getattr(one, field) for field in fields} for one in found]))
        return
    for one in found:
        _tell(one)
    if not found:
        click.echo("No station yet. One is let in by the code that this shows: verifier peer --listen ADDRESS")


@peer.command()
@click.argument("who", metavar="STATION")
@station_option
def revoke(who: str, station: Path | None) -> None:
    """Let a station in no more: by its name, or by its key as `peer stations` shows it.

    A far end that is running refuses its next request. Of several with one name, all are revoked.
    """
    gone = _stations(station).revoke(who)
    if not gone:
        raise InputError(f"no station {who[:40]!r} is known", to_do="`verifier peer stations` lists them.")
    for one in gone:
        click.echo(f"Revoked {one.name or 'a station'}, key {one.short_key}.")


def _stations(station: Path | None) -> Stations:
    from verifier.gather.peer.stations import Stations
    from verifier.store.station import Station

    return Stations(Station.at(station).root / "far-end")


def _tell(one: Known) -> None:
    state = f"cannot be used: {one.problem}" if one.problem else f"{one.name}, paired {one.since}"
    click.echo(f"Known: {one.short_key}  {state}")


def _place(text: str) -> tuple[str, int]:
    """Address and port of ADDRESS, ADDRESS:PORT or [ADDRESS]:PORT."""
    from verifier.gather.peer.protocol import PORT

    address, port = text, PORT
    bracketed = text.startswith("[") and "]" in text
    if bracketed or text.count(":") == 1:
        address, _, number = text.rpartition(":")
        if bracketed and text.endswith("]"):
            address, number = text, str(PORT)
        if not (number.isascii() and number.isdigit() and int(number) <= 65_535):
            raise InputError(f"{text[:100]!r} has no port that exists", to_do="Ports lie between 1 and 65535.")
        address, port = address.strip("[]"), int(number)
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        raise InputError(
            f"{address[:100]!r} is no address",
            to_do="Give it in numbers, such as 192.0.2.10 or [2001:db8::10]:7411.",
        ) from None
    if found.is_unspecified or found.is_multicast:
        raise InputError(
            f"{address} is not one address", to_do="Name the one address on which the far end is to be reached."
        )
    return address, port


def _shown(address: str, port: int) -> str:
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"
