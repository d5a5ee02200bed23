"""A power button in a whole run: asked for at the terminal, watched in a worker, judged, sealed."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from bench import Bench

SUITE = """
schema = 1
model = "marrowby-quayside"
title = "Quayside counter terminal, power button"
revision = 1
[serial]
label = false
firmware = false
[parts.front-panel]
title = "Front panel"
joints = ["button-flex"]
[joints.button-flex]
title = "Flex cable of the power button"

[[checks]]
id = "presses"
title = "Power button registers every press"
probe = "button.presses"
settings = { presses = 3, patience = 1.0, longest_gap = 1.0 }
covers = ["button-flex"]
limits = [
  { reading = "missed", at_most = 0, unit = "1", source = "invented" },
  { reading = "doubled", at_most = 0, unit = "1", source = "invented" },
]
"""


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    made = Bench(tmp_path)
    made.write("button.toml", SUITE)
    return made


def test_a_press_that_the_contact_does_not_make_fails_the_unit(bench: Bench) -> None:
    evdev = Path(__file__).parents[1] / "reference/evdev"
    ioctls = f"/dev/input/event3={evdev / 'pwr.ioctl'}"
    script = Path(__file__).with_name("pressed_run.py")
    run = subprocess.run(
        ["umockdev-run", "-d", evdev / "pwr.umockdev", "-i", ioctls, "--", sys.executable, script, bench.folder],
        capture_output=True,
        text=True,
        timeout=90,
    )
    assert run.returncode == 1, run.stderr
    (check,) = bench.record()["checks"]
    (attempt,) = check["attempts"]
    readings = {r["name"]: r["value"] for r in attempt["takes"][0]}
    assert (readings["asked"], readings["registered"], readings["missed"]) == (3, 2, 1)
    assert (readings["unasked"], readings["doubled"], readings["stuck"]) == (0, 0, False)
    assert 0.05 < readings["hold_longest"] < 1 and "demonstrated" not in readings
    assert attempt["finding"]["verdict"] == "fail"
    journal = next(bench.only_run().glob("journal")).read_text()
    bodies = [json.loads(line.split(" ", 1)[1]) for line in journal.splitlines()]
    assert [b["data"]["say"] for b in bodies if b["kind"] == "cue"][-1] == "Press now (3 of 3)"


def test_without_a_terminal_nobody_can_press(bench: Bench) -> None:
    """Prepared answers answer questions; the check is not run, and the unit is not released."""
    evdev = Path(__file__).parents[1] / "reference/evdev"
    ioctls = f"/dev/input/event3={evdev / 'pwr.ioctl'}"
    before = ("umockdev-run", "-d", str(evdev / "pwr.umockdev"), "-i", ioctls, "--")
    run = bench.command("run", "button.toml", "--technician", "T07", before=before)
    assert run.returncode == 1, run.stderr
    (check,) = bench.record()["checks"]
    finding = check["attempts"][0]["finding"]
    assert (finding["verdict"], finding["reason"]) == (
        "not-run",
        "needs a technician at a terminal, to act while it watches",
    )
