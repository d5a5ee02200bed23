"""The `verifier` command: a table of commands, loaded lazily, and the boundary where errors become words."""

from __future__ import annotations

import errno
import importlib
import io
import os
import signal
import sys
from typing import TYPE_CHECKING

import click

from verifier.errors import VerifierError

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

COMMANDS: dict[str, tuple[str, str]] = {
    "run": ("verifier.commands.run:run", "Run a suite on a unit: the main job."),
    "resume": ("verifier.commands.run:resume", "Go on after a pause, a crash or a power cycle."),
    "runs": ("verifier.commands.runs:runs", "Runs of this station and their state."),
    "report": ("verifier.commands.runs:report", "Render a report again from its sealed record."),
    "amend": ("verifier.commands.amend:amend", "Correct, void or supersede a sealed run, as a new sealed record."),
    "audit": ("verifier.commands.audit:audit", "Are these records and reports unaltered, and who sealed them?"),
    "suite": ("verifier.commands.suite:suite", "Check, show and describe suites and their probes."),
    "trends": ("verifier.commands.trends:trends", "What fails, how often, with exact intervals."),
    "peer": ("verifier.commands.peer:peer", "Far end for network, time and serial checks, and pairing with it."),
    "station": ("verifier.commands.station:station", "Set up and show this bench."),
    "keys": ("verifier.commands.keys:keys", "The keys that seal records: show, export, trust, retire."),
    "store": ("verifier.commands.store:store", "The searchable copy of the records."),
    "demo": ("verifier.commands.demo:demo", "The whole story on simulated units, in a throw-away station."),
    "completion": ("verifier.commands.completion:completion", "Print the script that completes words in a shell."),
}
"""Command to (module:attribute, help). The help stands here so that --help loads no command."""


class LazyGroup(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute = COMMANDS[cmd_name][0].split(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        from click.shell_completion import CompletionItem

        # From the table: a press of the tab key must not load every command.
        names = [
            CompletionItem(name, help=text) for name, (_, text) in COMMANDS.items() if name.startswith(incomplete)
        ]
        return [*names, *click.Command.shell_complete(self, ctx, incomplete)]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="verifier", message="verifier %(version)s")
def cli() -> None:
    """Functional test and close-out of repaired electronic units."""


def _own_fault(error: Exception) -> None:
    """A fault of this program itself: the trace goes into a file, a person gets a sentence."""
    import tempfile
    import traceback

    with tempfile.NamedTemporaryFile("w", prefix="verifier-fault-", suffix=".txt", delete=False) as file:
        traceback.print_exception(error, file=file)
    click.echo(
        f"verifier met a fault of its own ({type(error).__name__}: {error}).\n"
        f"  Nothing journalled is lost; `verifier resume` goes on. Please report it with {file.name}.",
        err=True,
    )


def main() -> None:
    """Run the command line; every known error leaves as words and an exit code."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:  # closed by whoever started us (`verifier runs >&-`)
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115, PTH123 - lives as long as we do
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that has no such character shows a question mark
    output = sys.stdout
    try:
        code = cli.main(standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("Stopped.", err=True)
        sys.exit(2)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except VerifierError as error:
        click.echo(str(error), err=True)
        sys.exit(error.exit_code)
    except SystemExit:
        if sys.stdout is output:
            raise
        # click puts another stream there, and ends with 1, when the reader of our output has gone (`verifier
        # runs | head`). A run that ended so is neither released nor not: this is none of its codes.
        sys.exit(128 + signal.SIGPIPE)
    except Exception as error:
        if isinstance(error, OSError) and error.errno == errno.ENOSPC and error.filename is None:
            click.echo("The output cannot be written: no space is left where it goes.", err=True)
        elif isinstance(error, PermissionError) and error.filename is not None:
            from verifier.commands.progress import printable

            click.echo(f"{printable(str(error.filename))}: {error.strerror}", err=True)
            click.echo("  Run this as the account that it belongs to.", err=True)
        else:
            _own_fault(error)
        sys.exit(2)
    sys.exit(code if isinstance(code, int) else 0)
