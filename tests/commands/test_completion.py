from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.shell_completion import BashComplete, FishComplete, ShellComplete, ZshComplete

from verifier.commands.completion import VARIABLE
from verifier.commands.main import COMMANDS, cli

ASKED = "import sys; from verifier.commands.main import main; sys.argv = ['verifier']; main()"
RUNS = {"20261125T101512Z-aaaaaa": "sealed.json", "20261126T101512Z-bbbbbb": None}


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for run, record in RUNS.items():
        folder = tmp_path / "runs" / run
        folder.mkdir(parents=True)
        (folder / "journal").touch()
        if record:
            (folder / record).touch()
    monkeypatch.setenv("VERIFIER_STATION", str(tmp_path))
    return tmp_path


def offered(words: list[str], incomplete: str, made_for: type[ShellComplete] = BashComplete) -> list[Any]:
    return made_for(cli, {}, "verifier", VARIABLE).get_completions(words, incomplete)


def values(words: list[str], incomplete: str) -> set[str]:
    return {item.value for item in offered(words, incomplete) if item.type == "plain"}


@pytest.mark.parametrize("made_for", [BashComplete, ZshComplete, FishComplete])
def test_commands_are_offered_with_their_help(made_for: type[ShellComplete]) -> None:
    items = {item.value: item.help for item in offered([], "", made_for) if not item.value.startswith("-")}
    assert items == {name: text for name, (_, text) in COMMANDS.items()}


def test_offering_commands_loads_none_of_them() -> None:
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", ASKED],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, VARIABLE: "bash_complete", "COMP_WORDS": "verifier ", "COMP_CWORD": "1"},
    )
    assert "plain,resume" in done.stdout
    assert "pydantic" not in done.stderr
    assert "verifier.commands.run" not in done.stderr


def test_suites_are_offered_by_name_beside_files() -> None:
    assert "this-computer" in values(["run"], "")
    assert values(["run"], "this-c") == {"this-computer"}
    assert values(["suite", "show"], "this-c") == {"this-computer"}
    assert [item.type for item in offered(["run"], "./x")] == ["file"]


@pytest.mark.parametrize(
    ("words", "run"),
    [
        (["resume"], "20261126T101512Z-bbbbbb"),
        (["report"], "20261125T101512Z-aaaaaa"),
        (["amend"], "20261125T101512Z-aaaaaa"),
        (["amend", "20261126T101512Z-bbbbbb", "--superseded-by"], "20261125T101512Z-aaaaaa"),
    ],
)
def test_runs_are_offered_where_they_fit(words: list[str], run: str, station: Path) -> None:
    assert values(words, "2026") == {run}
    assert values(words, "2025") == set()


def test_runs_of_the_station_that_is_named(station: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    other = tmp_path_factory.mktemp("other")
    assert values(["resume", "--station", str(other)], "") == set()
    assert values(["resume", "--station", str(station)], "") == {"20261126T101512Z-bbbbbb"}


def test_options_and_choices_are_offered() -> None:
    assert "--junit" in {item.value for item in offered(["run", "x"], "--")}
    assert values(["report", "--for"], "") == {"bench", "customer"}


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_script_is_printed_for_each_shell(shell: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "verifier", "completion", shell], capture_output=True, text=True, check=True
    )
    assert f"{VARIABLE}={shell}_complete" in done.stdout
    assert done.stderr == ""


def test_bash_itself_completes(station: Path, tmp_path: Path) -> None:
    """A real bash loads the script and asks the program, as it does when the tab key is pressed."""
    script = """
        set -u
        eval "$(verifier completion bash)"
        how=$(complete -p verifier); function=${how#*-F }; function=${function%% *}
        ask() { COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); COMPREPLY=()
            "$function" verifier "${@: -1}" "${@: -2:1}"
            printf '%s ' "${COMPREPLY[@]}"; echo; }
        ask verifier res
        ask verifier run this
        ask verifier resume 2026
    """
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "--norc", "-c", script],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PATH": path, "VERIFIER_STATION": str(station)},
    )
    said = [line.split() for line in done.stdout.splitlines()]
    assert said == [["resume"], ["this-computer"], ["20261126T101512Z-bbbbbb"]], done.stderr
