"""`--junit` of run and resume."""

from __future__ import annotations

import sys
from pathlib import Path

from lxml import etree

sys.path.insert(0, str(Path(__file__).parent))
from bench import Bench

XSD = Path(__file__).parents[1] / "reference" / "junit" / "JUnit.xsd"


def test_junit_is_written_when_the_run_is_sealed_and_not_before(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    file = tmp_path / "results.xml"
    assert bench.run("--answers", "answers.toml", "--stage", "open", "--junit", str(file)).returncode == 3
    assert not file.exists(), "a run that paused has no results yet"
    done = bench.command("resume", "--answers", "answers.toml", "--junit", str(file))
    assert done.returncode == 0, done.stderr
    root = etree.fromstring(file.read_bytes())
    schema = etree.XMLSchema(etree.parse(XSD))
    assert schema.validate(root), schema.error_log
    assert {case.get("name") for case in root.iter("testcase")} >= {"lan-speed", "screws", "disposition"}
    nowhere = bench.run("--answers", "answers.toml", "--junit", str(tmp_path / "no" / "folder.xml"))
    assert nowhere.returncode == 2
    assert "cannot be written" in nowhere.stderr
