"""What several commands share: options, how groups list commands, what --json prints, what a shell may offer."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal, TypeVar

import click
from click.shell_completion import CompletionItem

F = TypeVar("F", bound=Callable[..., Any])


def station_option(command: F) -> F:
    """--station DIR; commands turn it into `Station.at(station)`."""
    return click.option(
        "--station",
        type=click.Path(file_okay=False, path_type=Path),
        metavar="DIR",
        help="The station's folder. [default: $VERIFIER_STATION, else $XDG_STATE_HOME/verifier]",
    )(command)


def json_option(command: F) -> F:
    """--json; what is printed then goes through `print_json`."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")(command)


def seed_option(command: F) -> F:
    """--seed N, for commands that make simulated units of their own."""
    return click.option(
        "--seed",
        type=click.IntRange(0, 2**48),
        metavar="N",
        default=1,
        show_default=True,
        help="Another seed, other units.",
    )(command)


class Group(click.Group):
    """Lists its commands with their first sentences in full, where click cuts them off after 45 characters."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        names = self.list_commands(ctx)
        with formatter.section("Commands"):
            formatter.write_dl([(name, self.commands[name].get_short_help_str(200)) for name in names])


def print_json(data: object) -> None:
    click.echo(json.dumps(data, ensure_ascii=False, indent=2))


Complete = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def complete_suite(_ctx: click.Context, _param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """The shipped suites by name, and files."""
    from verifier.shipped import shipped_suites

    # The file comes first: the scripts of the shells drop what they have when they meet it.
    return [
        CompletionItem(incomplete, type="file"),
        *(CompletionItem(name) for name in shipped_suites() if name.startswith(incomplete)),
    ]


def complete_run(state: Literal["open", "sealed"]) -> Complete:
    """The station's runs that are open, or sealed, the newest first."""

    def complete(ctx: click.Context, _param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        from verifier.errors import InputError
        from verifier.seal.run_files import record_in
        from verifier.store.station import Station

        try:
            runs = Station.at(ctx.params.get("station")).runs
            folders = sorted((f for f in runs.iterdir() if f.name.startswith(incomplete)), reverse=True)
        except (OSError, InputError):
            return []  # a shell that waits for a word is told nothing rather than an error
        return [
            CompletionItem(folder.name)
            for folder in folders
            if (folder / "journal").is_file() and (record_in(folder) is not None) == (state == "sealed")
        ]

    return complete
