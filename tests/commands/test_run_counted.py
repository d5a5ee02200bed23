"""Beeps counted at a terminal in a whole run: by somebody who listens, and by somebody who guesses."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from bench import Bench
from typist import Typist

SUITE = """
schema = 1
model = "marrowby-quayside"
title = "Quayside counter terminal, headset"
revision = 1
[serial]
label = false
firmware = false
[parts.io-board]
title = "Connector board"
joints = ["headset"]
[joints.headset]
title = "Port 9, headset"

[[checks]]
id = "headset-heard"
title = "Headset is heard"
probe = "sound.beeps"
settings = { command = ["sh", "-c", "echo beep >>BEEPS"], label = "the headset on port 9" }
covers = ["headset"]
limits = [{ reading = "counted_right", is = true, source = "invented" }]
"""


@pytest.mark.parametrize("off", [0, 1])
def test_beeps_counted_at_a_terminal(tmp_path: Path, off: int) -> None:
    bench, beeps = Bench(tmp_path), tmp_path / "beeps"
    bench.write("suite.toml", SUITE.replace("BEEPS", str(beeps)))
    person = Typist(tmp_path, "run", "suite.toml")
    person.when("Who is at the bench", "T07\n")
    person.when("Listen to the headset on port 9 and count the beeps.")
    person.when("Enter to go on", "\n")
    before = person.when("How many beeps did you hear?")
    shown = len(beeps.read_text().splitlines())
    # Neither the screen nor the journal has the number before it is answered.
    assert not re.search(r"\d", before)
    journal = next(bench.only_run().glob("journal")).read_text()
    assert '"shown"' not in journal and journal.count('"kind":"reading"') == 0
    person.when(": ", "many\n")
    person.when("Type it as a number.")
    person.when(": ", f"{shown + off}\n")
    person.when("seal, again, correct", "seal\n")
    assert person.ended() == off, person.screen
    (check,) = bench.record()["checks"]
    (attempt,) = check["attempts"]
    readings = {r["name"]: r["value"] for r in attempt["takes"][0]}
    assert readings["counted_right"] is (off == 0)
    assert (int(readings["shown"]), int(readings["counted"])) == (shown, shown + off)
    assert attempt["answers"][0]["shown"].startswith("How many beeps did you hear?")
    assert attempt["finding"]["verdict"] == ("fail" if off else "pass")
    assert not off or attempt["finding"]["reason"] == "counted right: no, not yes"
    report = next(bench.only_run().glob("report*.html")).read_text()
    assert f"{shown} shown, {shown + off} counted" in report
    assert json.dumps(attempt).count("T07") == 0  # who answered is a personal field
