"""`store`: the searchable copy of the records."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verifier.commands.options import Group, station_option

if TYPE_CHECKING:
    from verifier.seal.record import Record


@click.group(cls=Group)
def store() -> None:
    """The searchable copy of the records."""


@store.command()
@station_option
def rebuild(station: Path | None) -> None:
    """Make the store anew from the sealed records of this station."""
    from verifier.errors import VerifierError
    from verifier.seal import amendments_of, proofs_from, read_sealed, record_in
    from verifier.store.records import put_all
    from verifier.store.station import Station
    from verifier.store.trusted import own_keys

    bench = Station.at(station)
    files = [file for folder in sorted(bench.runs.glob("*")) if (file := record_in(folder))]

    own, proofs = own_keys(bench), proofs_from(bench.ledger)

    def records() -> Iterator[tuple[Record, str, str]]:
        for file in files:
            try:
                sealed = read_sealed(file)
            except (VerifierError, OSError) as error:
                click.echo(f"left out: {error}", err=True)
                continue
            yield sealed.record, sealed.digest, amendments_of(file.parent, sealed, own, proofs).word

    for leftover in bench.root.glob("store.db*"):
        leftover.unlink()
    count = put_all(bench.store_file, records()) if files else 0
    click.echo(f"{count} of {len(files)} records are in {bench.store_file}")
