"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

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
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")(command)
