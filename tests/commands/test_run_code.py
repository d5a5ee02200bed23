"""A code for the unit's camera in a whole run: drawn on the terminal, and told nowhere before the answer."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import termios
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from bench import Bench

from verifier.gather.prompts.code import drawn

SUITE = """
schema = 1
model = "marrowby-gangway"
title = "Gangway deck tablet, front camera"
revision = 1
[serial]
label = false
firmware = false
[parts.front-camera]
title = "Front camera"
joints = ["camera-flex-front"]
[joints.camera-flex-front]
title = "Flex cable of the front camera"

[[checks]]
id = "front-code"
title = "Front camera reads a code"
probe = "camera.code"
covers = ["camera-flex-front"]
limits = [{ reading = "code_read", is = true, source = "invented" }]
"""


def test_a_camera_that_reads_nothing_fails_and_the_code_was_on_the_screen_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Behind `--at none`: nothing of the unit is read."""
    bench = Bench(tmp_path)
    bench.write("suite.toml", SUITE)
    end, terminal = pty.openpty()
    termios.tcsetwinsize(terminal, (24, 80))
    run = subprocess.Popen(
        ["setsid", "--ctty", sys.executable, "-m", "verifier", "run", "suite.toml", "--at", "none"],
        cwd=tmp_path,
        env={**os.environ, "VERIFIER_STATION": str(bench.station), "TERM": "xterm", "PYTHONUTF8": "1"},
        stdin=terminal,
        stdout=terminal,
        stderr=terminal,
    )
    os.close(terminal)
    screen = bytearray()

    def answered(words: str, answer: str) -> str:
        start = len(screen)
        while words not in screen[start:].decode("utf-8", "replace"):
            screen.extend(os.read(end, 4096))
        os.write(end, answer.encode() + b"\n")
        return screen[start:].decode("utf-8", "replace")

    answered("Who is at the bench (badge or name): ", "T07")
    asked = answered("or 0: ", "0")
    journal = next(bench.only_run().glob("journal")).read_text()
    answered("seal, again, correct, reopen, waive or later (? explains): ", "seal")
    try:
        while os.read(end, 4096):
            pass
    except OSError:  # the terminal is closed with its last user
        pass
    os.close(end)
    assert run.wait(30) == 1
    (check,) = bench.record()["checks"]
    readings = {r["name"]: r["value"] for r in check["attempts"][0]["takes"][0]}
    assert (readings["code_read"], readings["typed"]) == (False, "0")
    for name, value in (("COLUMNS", "80"), ("LINES", "24"), ("TERM", "xterm")):
        monkeypatch.setenv(name, value)
    assert drawn(readings["shown"]).replace("\n", "\r\n") in asked
    assert readings["shown"] not in asked and readings["shown"] not in journal
