"""`suite prove`: which faults a suite finds, tried on simulated units."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Self

import click

from verifier.commands.options import complete_suite, json_option, seed_option, station_option
from verifier.errors import InputError

if TYPE_CHECKING:
    from verifier.prove import Extent, Piece, Proof, Subject
    from verifier.trends.detection import Tally

UNFINISHED = 3
"""Exit code where it was interrupted and can go on."""


@click.command()
@click.argument("suite_name", metavar="SUITE", shell_complete=complete_suite)
@click.option(
    "--runs",
    type=click.IntRange(1, 100_000),
    metavar="N",
    default=1000,
    show_default=True,
    help="Sound units; a tenth as many have each fault.",
)
@seed_option
@click.option("--all-severities", is_flag=True, help="Each fault in every severity, not in its usual one alone.")
@click.option(
    "--at",
    default="simulated",
    show_default=True,
    metavar="WHERE",
    help="Which simulated unit: simulated, or simulated:FILE with its faults.toml beside it. With --real: "
    "where the unit is read, as for `verifier run`.",
)
@click.option(
    "--jobs", type=click.IntRange(1, 256), metavar="N", help="Processes at once. [default: one a processor]"
)
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Keep the table as JSON; interrupted, the same command goes on where it stood.",
)
@click.option("--real", is_flag=True, help="One round on a real unit with a deliberate fault; counts add up.")
@click.option("--counts", is_flag=True, help="With --real: no round, only what has been counted so far.")
@click.option(
    "--fault",
    metavar="NAME[=SEVERITY]",
    help="With --real: this fault, else the one tried least.",
)
@click.option("--technician", metavar="NAME", help="With --real: who does it.")
@click.option(
    "--answers",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="With --real: prepared answers, as for `verifier run`.",
)
@station_option
@json_option
def prove(
    suite_name: str,
    runs: int,
    seed: int,
    all_severities: bool,
    at: str,
    jobs: int | None,
    out: Path | None,
    real: bool,
    counts: bool,
    fault: str | None,
    technician: str | None,
    answers: Path | None,
    station: Path | None,
    as_json: bool,
) -> int:
    """Try SUITE on simulated units: which faults it finds, and how often it fails sound ones.

    Sound units differ as units do, by chance and seed. What it prints is a result of the model of the unit, no
    evidence about real ones. With --real it guides one round on a scrap or reference unit instead: put the fault
    in, run the suite, take it out; the rounds of the station add up.

    Exit code: 0 the table is whole; 2 bad input; 3 interrupted, or paused.
    """
    if real:
        wanted = [fault] if fault else []
        return _real(suite_name, at, wanted, technician, answers, station, counts=counts, as_json=as_json)
    if counts or fault or technician or answers or station:
        raise InputError(
            "only --real reads a unit", where="suite prove", to_do="Add --real, or leave the rest out."
        )
    from verifier.commands.prove_text import proof_text
    from verifier.commands.suite_text import width
    from verifier.declare.lint import load_suite
    from verifier.gather.catalogue import load_catalogue
    from verifier.gather.simulated import unit_file
    from verifier.gather.simulation import is_simulated
    from verifier.prove import Extent, pieces, subject_of, summed, try_all
    from verifier.shipped import find_suite

    if not is_simulated(at):
        raise InputError("only a simulated unit has faults put in", where="--at", to_do="Write simulated:FILE.")
    probes = load_catalogue()
    loaded = load_suite(find_suite(suite_name), probes)
    subject = subject_of(loaded, unit_file(at, loaded.suite.model, loaded.path.parent))
    extent = Extent(healthy=runs, each=max(1, runs // 10), seed=seed, all_severities=all_severities)
    todo = list(pieces(subject, extent))
    with _Work(out, subject, extent) as work:
        line = _Line(sum(p.runs for p in todo), sum(t.runs for t in work.made.values()))

        def done(piece: Piece, tally: Tally) -> None:
            work.keep(piece, tally)
            line.step(piece.runs)

        try:
            proof = try_all(subject, probes, extent, jobs=jobs or os.cpu_count() or 1, kept=work.made, done=done)
        except KeyboardInterrupt:
            line.end()
            proof = summed(subject, extent, work.made)
            if proof.healthy.runs:
                click.echo(proof_text(proof, width(), whole=False), nl=False)
            click.echo(
                "Interrupted. " + ("The same command goes on." if out else "With --out FILE it could go on.")
            )
            return UNFINISHED
        line.end()
        work.finish(proof)
    click.echo(_json_text(proof) if as_json else proof_text(proof, width()), nl=False)
    return 0


def _real(
    suite_name: str,
    at: str,
    wanted: list[str],
    technician: str | None,
    answers: Path | None,
    folder: Path | None,
    *,
    counts: bool,
    as_json: bool,
) -> int:
    from verifier.commands.prove_real import counted, prove_real
    from verifier.declare.lint import load_suite
    from verifier.gather.catalogue import load_catalogue
    from verifier.gather.simulated import injected, unit_file
    from verifier.gather.simulation import is_simulated
    from verifier.prove import subject_of
    from verifier.shipped import find_suite
    from verifier.store.station import Station

    loaded = load_suite(find_suite(suite_name), load_catalogue())
    subject = subject_of(loaded, unit_file("simulated", loaded.suite.model, loaded.path.parent))
    station = Station.at(folder)
    if counts:
        click.echo(counted(loaded, subject.faults, station, as_json=as_json), nl=False)
        return 0
    if as_json:
        raise InputError("a round is guided in words", where="--json", to_do="Add --counts for what was counted.")
    if is_simulated(at):
        raise InputError(
            "a round takes a real unit", where="--at", to_do="Say where it is read: --at ssh://USER@HOST."
        )
    chosen = injected(subject.unit, subject.faults, wanted)
    return prove_real(
        loaded, subject.faults, chosen, station=station, at=at, technician=technician, answers=answers
    )


def _json_text(proof: Proof) -> str:
    return json.dumps(proof.to_json(), indent=1, ensure_ascii=False) + "\n"


class _Line:
    """How far it is, on one line of the terminal; nothing where standard error is no terminal."""

    def __init__(self, total: int, done: int) -> None:
        self._total, self._done = total, done
        self._began, self._at_first = time.monotonic(), done
        self._shown = sys.stderr.isatty()
        self.step(0)

    def step(self, runs: int) -> None:
        self._done += runs
        if not self._shown:
            return
        took, made = time.monotonic() - self._began, self._done - self._at_first
        left = f", about {_in_words(took / made * (self._total - self._done))} left" if made else ""
        click.echo(f"\r\x1b[K{self._done} of {self._total} runs{left}", err=True, nl=False)

    def end(self) -> None:
        if self._shown:
            click.echo("\r\x1b[K", err=True, nl=False)


def _in_words(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"


class _Work:
    """The pieces that were made, kept beside --out while the proof goes on, so that it can be gone on with."""

    def __init__(self, out: Path | None, subject: Subject, extent: Extent) -> None:
        self._out = out
        self._file = out.with_name(out.name + ".part") if out else None
        self._head = {"of": dict(subject.digests), "seed": extent.seed}
        self.made: dict[str, Tally] = {}
        self._to: IO[str] | None = None

    def __enter__(self) -> Self:
        if self._out is not None and self._file is not None:
            _refuse_other(self._out)
            self.made = self._read(self._file)
            _told(self._file, self._open)
        return self

    def _open(self) -> None:
        assert self._file is not None  # noqa: S101 - its caller asked
        self._to = self._file.open("w", encoding="utf-8")
        self._line(self._head)
        for key, tally in self.made.items():
            self._line({"piece": key, "tally": tally.to_json()})

    def __exit__(self, *_: object) -> None:
        if self._to is not None:
            self._to.close()

    def keep(self, piece: Piece, tally: Tally) -> None:
        self.made[piece.key] = tally
        self._line({"piece": piece.key, "tally": tally.to_json()})

    def finish(self, proof: Proof) -> None:
        out, file = self._out, self._file
        if out is not None and file is not None:
            _told(out, lambda: out.write_text(_json_text(proof), encoding="utf-8"))
            file.unlink(missing_ok=True)

    def _line(self, data: dict[str, Any]) -> None:
        if self._to is not None:
            self._to.write(json.dumps(data) + "\n")
            self._to.flush()

    def _read(self, file: Path) -> dict[str, Tally]:
        """The pieces of an earlier try of the same suite, unit, faults and seed; a torn last line is left out."""
        from verifier.trends.detection import Tally

        try:
            lines = file.read_text("utf-8").splitlines() if file.exists() else []
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"cannot be read: {error}", where=str(file), to_do="Remove it.") from None
        made: dict[str, Tally] = {}
        for number, line in enumerate(lines):
            try:
                data = json.loads(line)
                if number == 0:
                    if data != self._head:
                        return {}
                    continue
                made[str(data["piece"])] = Tally.from_json(data["tally"])
            except (ValueError, KeyError, TypeError, AttributeError):
                break
        return made


def _told(path: Path, write: Callable[[], object]) -> None:
    try:
        write()
    except OSError as error:
        raise InputError(
            f"cannot be written: {error.strerror or error}", where=str(path), to_do="Name another file with --out."
        ) from None


def _refuse_other(out: Path) -> None:
    """InputError for a file that is there already and is no table of an earlier proof."""
    try:
        kept = json.loads(out.read_text("utf-8")) if out.exists() and out.stat().st_size else {"digest": ""}
    except (OSError, ValueError, RecursionError):
        kept = None
    if not isinstance(kept, dict) or "digest" not in kept:
        raise InputError(
            "is there already, and is no table of a proof", where=f"--out {out}", to_do="Name another file."
        )
