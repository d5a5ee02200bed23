"""`suite`: check, show and describe suites and their probes."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import click

from verifier.commands.learn import learn
from verifier.commands.options import Group, complete_suite, json_option, print_json
from verifier.commands.prove import prove

if TYPE_CHECKING:
    from verifier.declare.lint import LoadedSuite
    from verifier.errors import Problem
    from verifier.readings import ProbeDeclaration


@click.group(cls=Group)
def suite() -> None:
    """Check, show and describe suites and their probes."""


suite.add_command(learn)
suite.add_command(prove)


@suite.command()
@click.argument("files", nargs=-1, required=True, metavar="SUITE...", shell_complete=complete_suite)
@json_option
def lint(files: tuple[str, ...], as_json: bool) -> int:
    """Say everything that is wrong with each SUITE (a file, or the name of a shipped suite).

    So for the simulated unit and its faults, where unit.toml and faults.toml stand beside it.

    Exit code: 0 nothing wrong, or warnings only; 2 a suite that cannot be run.
    """
    from verifier.declare.lint import load_suite
    from verifier.declare.spelling import plain
    from verifier.errors import InputError, InputProblems, Problem
    from verifier.gather.catalogue import load_catalogue
    from verifier.shipped import find_suite

    catalogue = load_catalogue()
    linted: list[Linted] = []
    for name in files:
        where = plain(name, 4096)
        try:
            loaded = load_suite(find_suite(name), catalogue)
        except InputProblems as error:
            linted.append(Linted(where, error.problems))
        except InputError as error:
            linted.append(Linted(where, [Problem(0, 0, "", error.what, error.to_do)]))
        else:
            linted.append(Linted(where, list(loaded.warnings), checks=len(loaded.suite.checks)))
            linted += _lint_simulated(loaded)
    if as_json:
        print_json([one.data() for one in linted])
    else:
        for one in linted:
            for problem in one.problems:
                click.echo(problem.sentence(one.file))
            click.echo(one.summary())
    return 0 if all(one.usable for one in linted) else 2


@dataclass(frozen=True, slots=True)
class Linted:
    """What is wrong in one file: a suite, or the simulated unit or the faults beside it."""

    file: str
    problems: list[Problem]
    checks: int | None = None
    """Checks of a suite that can be run; None for whatever is refused."""
    refused: str = "run"
    """What cannot be done with it then."""

    @property
    def usable(self) -> bool:
        return self.checks is not None

    def summary(self) -> str:
        errors = sum(problem.severity == "error" for problem in self.problems)
        warnings = len(self.problems) - errors
        told = f"{warnings} warning{'s' * (warnings != 1)}"
        if self.checks is None:
            also = f" and {told}" if warnings else ""
            return f"{self.file}: {errors} error{'s' * (errors != 1)}{also}; it cannot be {self.refused}"
        counted = f"{self.checks} check{'s' * (self.checks != 1)}"
        return f"{self.file}: {counted}, {told if warnings else 'nothing to mend'}"

    def data(self) -> dict[str, Any]:
        return {
            "file": self.file,
            "usable": self.usable,
            "checks": self.checks,
            "problems": [asdict(problem) for problem in self.problems],
        }


def _lint_simulated(loaded: LoadedSuite) -> list[Linted]:
    """What is wrong with the simulated unit beside a suite, or else with its faults; nothing where all is well."""
    from verifier.errors import InputProblems
    from verifier.shipped import UNIT_FILE

    file = loaded.path.parent / UNIT_FILE
    if not file.is_file():
        return []
    from verifier.gather.simulated import catalogue_for, load_description

    try:
        catalogue_for(file, load_description(file, loaded.suite), loaded.suite)
    except InputProblems as error:
        return [Linted(error.file, error.problems, refused="simulated")]
    return []


@suite.command()
@click.argument("suite_name", metavar="SUITE", shell_complete=complete_suite)
@json_option
def show(suite_name: str, as_json: bool) -> None:
    """Show what SUITE checks, stage by stage, and which checks prove which joints."""
    from verifier.commands.suite_text import suite_text, width
    from verifier.declare.lint import load_suite
    from verifier.gather.catalogue import load_catalogue
    from verifier.shipped import find_suite

    catalogue = load_catalogue()
    loaded = load_suite(find_suite(suite_name), catalogue)
    if as_json:
        data = {
            "file": str(loaded.path),
            "sha256": loaded.sha256,
            "suite": loaded.suite.model_dump(mode="json", by_alias=True, exclude_none=True),
        }
        print_json(data)
        return
    for warning in loaded.warnings:
        click.echo(warning.sentence(suite_name), err=True)
    click.echo(suite_text(loaded.suite, width(), catalogue), nl=False)


@suite.command()
def schema() -> None:
    """Print the JSON Schema of suite files, for editors and programs."""
    from verifier.declare.schema import suite_schema_text

    click.echo(suite_schema_text(), nl=False)


@suite.command()
@click.argument("suite_name", metavar="SUITE", shell_complete=complete_suite)
@click.option(
    "--at",
    default="simulated",
    show_default=True,
    metavar="WHERE",
    help="Which simulated unit: simulated, or simulated:FILE.",
)
@json_option
def faults(suite_name: str, at: str, as_json: bool) -> None:
    """List the faults that can be put into the simulated unit of SUITE's model (`run --at simulated --fault`)."""
    from verifier.commands.suite_text import faults_text, width
    from verifier.declare.lint import load_suite
    from verifier.errors import InputError
    from verifier.gather.catalogue import load_catalogue
    from verifier.gather.simulated import catalogue_for, load_description, unit_file
    from verifier.gather.simulation import is_simulated
    from verifier.shipped import find_suite

    if not is_simulated(at):
        raise InputError("only a simulated unit has faults put in", where="--at", to_do="Write simulated:FILE.")
    loaded = load_suite(find_suite(suite_name), load_catalogue())
    suite = loaded.suite
    file = unit_file(at, suite.model, loaded.path.parent)
    unit = load_description(file)
    catalogue = catalogue_for(file, unit)
    found = catalogue.faults if catalogue else {}
    if as_json:
        print_json([{"name": name, **fault.model_dump(mode="json")} for name, fault in found.items()])
        return
    click.echo(faults_text(unit.title, found, suite, width()), nl=False)


@suite.command()
@click.argument("name", required=False)
@json_option
def probes(name: str | None, as_json: bool) -> None:
    """List the probes that suites may name; with NAME, one of them in full."""
    from verifier.commands.suite_text import probe_text, width
    from verifier.declare.spelling import hint, shown
    from verifier.errors import InputError
    from verifier.gather.catalogue import load_catalogue

    catalogue = load_catalogue()
    if name is not None and catalogue.declaration(name) is None:
        raise InputError(f"there is no probe {shown(name)}", to_do=hint(name, catalogue.names(), what="there are"))
    chosen = [name] if name is not None else list(catalogue.names())
    declarations = [d for n in chosen if (d := catalogue.declaration(n)) is not None]
    if as_json:
        data = [_probe_data(d) for d in declarations]
        print_json(data if name is None else data[0])
    elif name is not None:
        click.echo(probe_text(declarations[0], catalogue.package(name), width()), nl=False)
    else:
        column = max((len(d.name) for d in declarations), default=0)
        for declaration in declarations:
            click.echo(f"{declaration.name:<{column}}  {declaration.title}")
        click.echo("\nOne in full: verifier suite probes NAME")


def _probe_data(declaration: ProbeDeclaration) -> dict[str, Any]:
    from verifier.declare.settings import describe_settings

    return {
        "name": declaration.name,
        "title": declaration.title,
        "what": declaration.what,
        "settings": [asdict(setting) for setting in describe_settings(declaration)],
        "readings": [asdict(reading) for reading in declaration.readings],
        "services": list(declaration.services),
        "privileges": list(declaration.privileges),
        "cues": declaration.cues,
        "pauses": declaration.pauses,
        "consults": declaration.consults,
        "cautions": list(declaration.cautions),
        "sources": list(declaration.sources),
        "example": declaration.example,
        "timeout_seconds": declaration.timeout,
    }
