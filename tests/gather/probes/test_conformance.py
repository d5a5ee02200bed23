"""No probe reads another machine than its host: each is run with this machine's own files and sockets denied."""

import ast
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from verifier.gather.catalogue import load_catalogue

HERE = Path(__file__).parent
CHEATS = ("Opens", "Asks", "Lists", "Connects", "Runs")


def reached(tree: Path, *others: str, packages: str = "") -> dict[str, list[str]]:
    result = subprocess.run(
        [sys.executable, str(HERE / "denied.py"), str(tree), *others],
        capture_output=True,
        text=True,
        timeout=60,
        env={**os.environ, "PYTHONPATH": packages},
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


PACKAGE = """
import sys
sys.path.append({here!r})
from cheats import Opens
from lamp_probe import Lamp
from dataclasses import dataclass, replace
from verifier.hookspecs import hookimpl

@dataclass
class Needs:
    lamp: str

class Picky(Lamp):
    declaration = replace(Lamp.declaration, name="lamp.picky", settings=Needs)

verifier_probes = hookimpl(lambda: [Lamp(), Opens(), Picky()], specname="verifier_probes")
"""


def test_probes_of_installed_packages_are_held_to_the_same(hardware: Path, tmp_path: Path) -> None:
    """An honest one, one that cheats, and one that could not be tried because it gives no example."""
    info = tmp_path / "strangers-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: strangers\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[verifier]\nstrangers = strangers\n")
    (tmp_path / "strangers.py").write_text(PACKAGE.format(here=str(HERE)))
    lamp = HERE.parent / "third_party"
    found = reached(hardware / "server", packages=f"{tmp_path}:{lamp}")
    assert {name for name, tried in found.items() if tried} == {"cheat.opens", "lamp.picky"}
    assert found["lamp.picky"][0].startswith("not tried") and found["lamp.level"] == []


def test_no_built_in_probe_imports_what_reads_this_machine() -> None:
    """What a probe gets, it gets from its host: the services behind sockets and ioctls are the host's own."""
    own = {
        "socket",
        "subprocess",
        "fcntl",
        "pathlib",
        "io",
        "glob",
        "shutil",
        "time",
        "platform",
        "psutil",
        "ctypes",
    }
    probes = HERE.parents[2] / "verifier/gather/probes"
    for module in sorted(probes.glob("*.py")):
        for node in ast.walk(ast.parse(module.read_text())):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not own & {name.partition(".")[0] for name in names}, module.name
            # Random numbers are nobody's reading.
            used = isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "os"
            assert not used or node.attr == "urandom", module.name  # type: ignore[attr-defined]
