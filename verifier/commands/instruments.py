"""`station instruments` and `station safe`: the bench's instruments by hand."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands.options import Group, json_option, station_option
from verifier.errors import BenchFault, InputError

if TYPE_CHECKING:
    from verifier.gather.instruments.bench import StationInstruments
    from verifier.gather.instruments.description import Instrument

TRIES = 3
"""Times that a run's instrument process is ended before it is given up."""
NOT_A_SAFETY_FUNCTION = "This is a convenience, not a safety function: look at the instrument itself."


@click.group(cls=Group, invoke_without_command=True)
@station_option
@json_option
@click.pass_context
def instruments(context: click.Context, station: Path | None, as_json: bool) -> None:
    """List the bench's instruments and ask each who it is; with a further word: try, find, kinds."""
    if context.invoked_subcommand is not None:
        return
    folder = _folder(station)

    async def ask(bench: StationInstruments) -> list[dict[str, Any]]:
        return [await _look_at(bench, name) for name in bench.instruments]

    from verifier.gather.instruments.loading import load_instruments

    found = _with_bench(folder, ask) if load_instruments(folder) else []
    if as_json:
        click.echo(json.dumps(found, indent=2))
        return
    if not found:
        click.echo(f"No instruments are described in {folder}. `verifier station instruments kinds` shows how.")
    for one in found:
        click.echo(f"{one['name']}: {one['title']} at {one['port']}")
        click.echo(f"  {one['problem'] or one['says'] or 'there; it cannot say which one it is'}")
        if one["due"]:
            click.echo(f"  calibration due {one['due']}{' (past)' if one['overdue'] else ''}")
        if one["energises"]:
            click.echo("  can supply, load or switch; made safe by `verifier station safe`")
    if any(one["energises"] for one in found):
        click.echo(NOT_A_SAFETY_FUNCTION)
    if any(one["problem"] for one in found):
        raise BenchFault("not every instrument answers as its file says")


@instruments.command(name="try")
@click.argument("name")
@station_option
def try_one(name: str, station: Path | None) -> None:
    """Ask the instrument NAME who it is, and take one value of each quantity it measures. Switches nothing on.

    Its file may still lack the serial number: then only who it is is asked.
    """
    folder = _folder(station)
    from verifier.gather.instruments.loading import load_instrument

    there = sorted(file.stem for file in folder.glob("*.toml"))
    if name not in there:
        known = ", ".join(there) or "none"
        raise InputError(f"there is no instrument {name[:64]!r}", where=str(folder), to_do=f"There are: {known}.")
    described = load_instrument(folder / f"{name}.toml", serial_known=False)

    async def attempt(bench: StationInstruments) -> bool:
        from verifier.gather.instruments.accuracy import half_width, range_for
        from verifier.gather.instruments.replies import fields_of

        said = await bench.identify(name)
        click.echo(f"says   {said or 'nothing: it cannot be asked who it is'}")
        if described.identity is not None and not described.serial:
            serial = fields_of(described.identity.reply, said)["serial"]
            click.echo(f'Is that the number on the instrument itself? Then add to its file: serial = "{serial}"')
            return True
        whole = True
        for quantity, measured in described.quantities.items():
            try:
                value = await bench.measure(name, quantity)
            except BenchFault as error:
                click.echo(f"{quantity}: {error.what}")
                whole = False
                continue
            accuracy = range_for(measured, value, None)
            known = f" ± {half_width(accuracy, value):.3g}" if accuracy else ""
            unknown = "" if accuracy else " (its file states no accuracy, so that no check reads it)"
            click.echo(f"{quantity}: {value:.6g}{known} {measured.unit}{unknown}")
        return whole

    if not _with_bench(folder, attempt, {name: described}):
        raise BenchFault("not everything could be measured", where=name)


@instruments.command()
@json_option
def find(as_json: bool) -> None:
    """Look at the serial ports of this computer. Nothing is sent to them."""
    from dataclasses import asdict

    from verifier.gather.instruments.find import find_ports

    ports = find_ports()
    if as_json:
        click.echo(json.dumps([asdict(port) for port in ports], indent=2))
        return
    for port in ports:
        rights = "" if port.usable else "  (this user may not open it: join the group dialout)"
        click.echo(f"{port.path}  {port.what}{rights}".rstrip())
    if not ports:
        click.echo("This computer has no serial port. Is the adapter plugged in?")


@instruments.command()
@click.argument("kind", required=False)
def kinds(kind: str | None) -> None:
    """The shipped descriptions; with KIND, that one, as a file to start from."""
    from verifier.gather.instruments.loading import kind_text
    from verifier.gather.instruments.loading import kinds as all_kinds

    if kind is not None:
        click.echo(kind_text(kind), nl=False)
        return
    for name in all_kinds():
        click.echo(f"{name:<20} {kind_text(name).splitlines()[0].removeprefix('# ')}")
    click.echo('\nIn the station\'s folder instruments/NAME.toml starts with kind = "..." and port = "...".')


@click.command()
@station_option
def safe(station: Path | None) -> None:
    """Make every instrument safe that can supply, load, heat or switch. Breaks off a run that uses them."""
    folder = _folder(station)

    async def command(bench: StationInstruments) -> dict[str, str]:
        return await bench.make_all_safe()

    from verifier.gather.instruments.loading import load_instruments

    results: dict[str, str] = {}
    if any(instrument.energises for instrument in load_instruments(folder).values()):
        for left in reversed(range(TRIES)):
            _end_owner(folder)
            try:
                results = _with_bench(folder, command)
                break
            except InputError:
                if not left:  # the run whose process was ended took another, and keeps it
                    raise
    for name, problem in results.items():
        click.echo(f"{name}: {problem or 'safe'}")
    click.echo(NOT_A_SAFETY_FUNCTION if results else "No instrument here can supply, load, heat or switch.")
    if any(results.values()):
        raise BenchFault("not everything is safe", to_do="Switch it off at its own switch now.")


def _end_owner(folder: Path) -> None:
    """End the instrument process of a run, which makes safe as it goes."""
    import time

    from verifier.gather.instruments.process import END_LIMIT, alive, ask_to_end, owner_of

    if (owner := owner_of(folder)) is None:
        return
    click.echo("A run has the instruments: its instrument process makes safe and ends.", err=True)
    ask_to_end(owner)
    until = time.monotonic() + END_LIMIT
    while alive(owner) and time.monotonic() < until:
        time.sleep(0.05)


def _folder(station: Path | None) -> Path:
    from verifier.store.station import Station

    return Station.at(station).instruments


def _with_bench(
    folder: Path,
    work: Callable[[StationInstruments], Awaitable[Any]],
    instruments: dict[str, Instrument] | None = None,
) -> Any:
    import anyio

    from verifier.gather.clocks import RealClocks
    from verifier.gather.instruments.bench import StationInstruments

    async def go() -> Any:
        async with StationInstruments(folder, RealClocks(), instruments) as bench:
            return await work(bench)

    try:
        return anyio.run(go)
    except BaseExceptionGroup as group:
        error: BaseException = group
        while isinstance(error, BaseExceptionGroup):
            error = error.exceptions[0]
        raise error from None


async def _look_at(bench: StationInstruments, name: str) -> dict[str, Any]:
    described: Instrument = bench.instruments[name]
    says = problem = ""
    try:
        says = await bench.identify(name)
    except BenchFault as error:
        problem = error.what
    return {
        "name": name,
        "title": described.title,
        "port": described.port,
        "says": says,
        "problem": problem,
        "due": str(described.due) if described.due else "",
        "overdue": bench.overdue(described),
        "energises": described.energises,
        "certificate": described.certificate or "",
    }
