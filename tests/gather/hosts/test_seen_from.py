"""Units that run nothing of ours, and checks seen from the bench: no reading comes from another machine."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from verifier.errors import NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.seal import read_sealed
from verifier.seal.record import Record
from verifier.shipped import find_suite

TESTS = Path(__file__).parents[2]
SUITE = """
schema = 1
model = "marrowby-quayside"
title = "Seen from outside"
revision = 1
serial = { label = false, firmware = false }
[parts.io-board]
title = "Connector board"
joints = ["lan", "usb-1"]
[joints.lan]
title = "Network socket"
[joints.usb-1]
title = "Port 1"
[[checks]]
id = "lan-inside"
title = "Port, as the unit sees it"
probe = "ethernet.link"
settings = { interface = "lo" }
required = false
limits = [{ reading = "carrier", is = true, source = "invented" }]
[[checks]]
id = "lan-outside"
title = "Port, as the bench sees it"
probe = "ethernet.link"
seen_from = "bench"
settings = { interface = "lo" }
covers = ["lan"]
limits = [{ reading = "carrier", is = true, source = "invented" }]
[[checks]]
id = "usb"
title = "Port 1"
probe = "usb.device"
settings = { path = "1-1" }
covers = ["usb-1"]
limits = [{ reading = "speed", at_least = 480, unit = "Mbit/s", source = "invented" }]
"""


def run(suite: str, at: str, tmp_path: Path, *more: str) -> tuple[int, dict[str, Any], Record]:
    command = ["run", suite, "--at", at, "--station", str(tmp_path / "station"), "--json", *more]
    done = subprocess.run([sys.executable, "-m", "verifier", *command], capture_output=True, text=True)
    assert done.stdout, done.stderr
    told = json.loads(done.stdout)
    return done.returncode, told, read_sealed(Path(told["record"])).record


@pytest.fixture
def suite(tmp_path: Path) -> str:
    (tmp_path / "suite.toml").write_text(SUITE)
    return str(tmp_path / "suite.toml")


def test_unit_that_runs_nothing_is_seen_from_the_bench_alone(suite: str, tmp_path: Path) -> None:
    code, told, record = run(suite, "none", tmp_path, "--replaced", "io-board")
    assert code == 1 and record.role == "station" and record.host.address == "none" and record.host.facts == {}
    assert {name: check["verdict"] for name, check in told["checks"].items()} == {
        "lan-inside": "not-run", "lan-outside": "pass", "usb": "not-run",
    }  # fmt: skip
    assert told["checks"]["usb"]["reason"] == (
        "the unit runs nothing of ours (--at none), so usb.device cannot be read in it"
    )
    attempt = next(check for check in record.checks if check.id == "lan-outside").attempts[-1]
    assert attempt.host == "bench"
    assert {r.origin.partition(" ")[0] for take in attempt.takes for r in take} == {"bench:"}
    coverage = {joint.joint: joint.coverage for joint in record.outcome.joints}
    assert coverage == {"lan": "measured", "usb-1": "not-covered"}
    page = re.sub(r"<pre.*", "", Path(told["report"]).read_text(), flags=re.DOTALL)
    assert "at <bdi>bench</bdi>" in page and "bench: /sys/class/net/lo/carrier" in page
    assert "Not covered" in page and "Port 1" in page


def test_what_the_bench_itself_has_not_is_never_a_fault_of_the_unit(suite: str, tmp_path: Path) -> None:
    file = Path(suite)
    file.write_text(file.read_text().replace('interface = "lo" }\ncovers', 'interface = "lan9" }\ncovers'))
    _, told, _ = run(suite, "none", tmp_path, "--replaced", "io-board")
    found = told["checks"]["lan-outside"]
    assert found["verdict"] == "bench-error"
    assert found["reason"].startswith("at the bench: ") and "lan9" in found["reason"]


@pytest.mark.parametrize("at", ["local", f"recorded:{TESTS / 'reference/hardware/server'}", "simulated"])
def test_where_there_is_no_bench_beside_the_unit_nothing_is_read_there(
    suite: str, tmp_path: Path, at: str
) -> None:
    _, told, record = run(suite, at, tmp_path)
    assert told["checks"]["lan-outside"]["verdict"] == "not-run"
    assert "there is none with --at" in told["checks"]["lan-outside"]["reason"]
    assert not next(check for check in record.checks if check.id == "lan-outside").attempts[-1].takes


def test_quayside_seen_from_outside_lists_what_that_leaves_uncovered(tmp_path: Path) -> None:
    """The shipped suite on a unit that cannot run anything: prompts are asked, and no probe reads this machine."""
    answers = str(TESTS / "suites/quayside-answers.toml")
    code, told, record = run(
        "marrowby-quayside",
        "none",
        tmp_path,
        "--answers",
        answers,
        "--replaced",
        "main-board",
        "--technician",
        "T04",
    )
    assert code == 1 and told["disposition"] == "hold"
    probed = {check.id: check for check in record.checks if check.probe and check.probe != "order.fasteners"}
    assert probed and {check.finding.verdict.value for check in probed.values() if check.finding.verdict} == {
        "not-run"
    }
    left = {joint.joint for joint in record.outcome.joints if joint.disturbed and joint.coverage == "not-covered"}
    # Displays need the unit's own eyes; screws, spacers and the voltage of a port do not.
    assert {"display-1", "headset"} <= left and not {"edge-spacers", "usb-4"} & left
    page = Path(told["report"]).read_text()
    from verifier.declare.lint import load_suite

    loaded = load_suite(find_suite("marrowby-quayside"), load_catalogue()).suite
    for joint in left:
        assert loaded.joints[joint].title in page


def test_the_host_none_offers_nothing() -> None:
    host = open_host("none", RealClocks())
    assert host.services == frozenset()
    for reach in (lambda: host.files, lambda: host.commands):
        with pytest.raises(NotPossible, match="runs nothing of ours"):
            reach()
