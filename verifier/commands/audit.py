"""Are these records and reports unaltered, and who sealed them?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands.options import json_option, print_json, station_option

if TYPE_CHECKING:
    from verifier.seal import Audit, AuditLine


@click.command()
@click.argument("paths", nargs=-1, required=True, metavar="PATH...", type=click.Path(path_type=Path))
@click.option(
    "--trust",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Keys to believe besides this station's own and its trust list: a JWK set, as `verifier keys export` "
    "prints it.",
)
@station_option
@json_option
@click.pass_context
def audit(
    ctx: click.Context, paths: tuple[Path, ...], trust: Path | None, station: Path | None, as_json: bool
) -> None:
    """Are these records and reports unaltered, and who sealed them?

    PATH is a sealed record (sealed.json), a report (report.html) or a folder of them; those of simulated
    runs have .simulated in their names. Works offline and
    writes nothing. Believed are this station's own keys and those in the trust file, never a key that came
    with a file.

    Exit code: 0 all unaltered and by a trusted signer, 1 at least one not, 2 unreadable or nothing to audit.
    """
    from verifier.seal import audit as audit_files
    from verifier.seal import proofs_from
    from verifier.store.station import Station
    from verifier.store.trusted import believed

    bench = Station.at(station)
    trusted, warnings = believed(bench, trust)
    found = audit_files(paths, trusted, proofs_from(bench.ledger))
    if as_json:
        print_json({"files": [_json(line) for line in found.lines], "warnings": warnings})
    else:
        _print(found, warnings)
    ctx.exit(found.exit_code)


def _print(found: Audit, warnings: list[str]) -> None:
    from verifier.show.outside import visible

    for line in found.lines:
        click.echo(visible(f"{line.path}: {line.sentence}"))
        if line.signer:
            unit = " ".join(part for part in (line.model, line.serial) if part)
            about = ", ".join(part for part in (f"run {line.run}", unit, line.disposition) if part)
            click.echo(visible(f"    {about}"))
        if len(line.parts) > 1:
            states = "; ".join(f"{p.name} {p.status.value if p.status else 'not looked at'}" for p in line.parts)
            click.echo(f"    {states}")
        if line.withheld:
            fields = "personal field is" if line.withheld == 1 else "personal fields are"
            click.echo(f"    {line.withheld} {fields} withheld from this copy; the seal is not touched by that")
        for note in line.notes:
            click.echo(visible(f"    note: {note}"))
    for path in found.skipped:
        click.echo(visible(f"{path}: not a sealed record and not a report; not audited"))
    for warning in warnings:
        click.echo(visible(warning), err=True)


def _json(line: AuditLine) -> dict[str, Any]:
    return {
        "path": str(line.path),
        "kind": line.kind,
        "status": line.status.value,
        "sentence": line.sentence,
        "parts": [
            {"name": p.name, "status": p.status.value if p.status else None, "note": p.note} for p in line.parts
        ],
        "station": line.signer.station if line.signer else None,
        "role": line.signer.role if line.signer else None,
        "key": line.kid or None,
        "key_trusted": line.signer is not None,
        "run": line.run or None,
        "model": line.model or None,
        "serial": line.serial or None,
        "disposition": line.disposition or None,
        "record_sha256": line.digest or None,
        "renderer": line.renderer or None,
        "withheld": line.withheld,
        "notes": list(line.notes),
        "amends": line.amends or None,
        "standing": line.standing.word or None,
        "amendments": [
            {
                "kind": a.amendment.kind,
                "at": a.amendment.at,
                "reason": a.amendment.reason,
                "by_run": a.amendment.successor.run if a.amendment.successor else None,
                "fields": [change.field for change in a.amendment.fields],
                "sha256": a.digest,
            }
            for a in line.standing.amendments
        ],
    }
