"""No probe reads another machine than its host: each is run with this machine's own files and sockets denied."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from verifier.gather.catalogue import load_catalogue

HERE = Path(__file__).parent
CHEATS = ("Opens", "Asks", "Lists", "Connects", "Runs")


def reached(tree: Path, *others: str) -> dict[str, list[str]]:
    result = subprocess.run(
        [sys.executable, str(HERE / "denied.py"), str(tree), *others], capture_output=True, text=True, timeout=60
    )
    assert result.returncode == 0, result.stderr
    found: dict[str, list[str]] = json.loads(result.stdout)
    return found


@pytest.mark.parametrize("tree", ["server", "composite"])
def test_no_probe_reaches_beyond_its_recorded_tree(hardware: Path, tree: str) -> None:
    found = reached(hardware / tree)
    assert set(found) == set(load_catalogue().names())
    assert not any(found.values()), found


def test_a_probe_that_cheats_is_caught(hardware: Path) -> None:
    found = reached(hardware / "server", *(f"cheats:{name}" for name in CHEATS))
    caught = {name for name, tried in found.items() if tried}
    assert caught == {f"cheat.{name.lower()}" for name in CHEATS}
