"""A bench to type commands at: a station in a temporary folder, a recorded unit, a small suite."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

SERVER = Path(__file__).parents[1] / "reference" / "hardware" / "server"

SCREWS = """
[[checks]]
id = "screws"
title = "Screws of the connector board"
stage = "open"
prompt = "count"
say = "How many of the six screws are in?"
covers = ["io-screws"]
limits = [{ reading = "count", equals = 6, source = "invented" }]
"""
LAMP = """
[[checks]]
id = "lamp"
title = "Lamp"
prompt = "choice"
say = "What does the lamp do?"
options = ["dark", "lit"]
after = ["$after"]
limits = [{ reading = "choice", equals = "lit", source = "invented" }]
"""
LABEL_ON = """
[[checks]]
id = "label-on"
title = "Label on"
stage = "finished"
prompt = "confirm"
say = "Is the label on?"
limits = [{ reading = "confirm", is = true, source = "invented" }]
"""

PORTS = """
[[checks]]
id = "lan-speed"
title = "Port 5 at full speed"
probe = "ethernet.link"
settings = { interface = "eth0" }
covers = ["lan"]
limits = [{ reading = "speed", at_least = 1000, unit = "Mbit/s", source = "invented" }]

[[checks]]
id = "usb-1-speed"
title = "Port 1 gives full speed"
probe = "usb.device"
settings = { path = "1-1" }
covers = ["usb-1"]
limits = [{ reading = "speed", at_least = 480, unit = "Mbit/s", source = "invented" }]
"""

SUITE = (
    """
schema = 1
model = "marrowby-quayside"
title = "Quayside counter terminal, close of repair"
revision = 2
[serial]
label = false
firmware = false
pattern = "QS-[0-9]{7}"
check_digit = "luhn"
[parts.io-board]
title = "Connector board"
joints = ["lan", "usb-1", "io-screws"]
[joints.lan]
title = "Network socket"
[joints.usb-1]
title = "Port 1"
[joints.io-screws]
title = "Screws of the connector board"
"""
    + SCREWS
    + PORTS
    + LAMP.replace("$after", "lan-speed")
    + LABEL_ON
)

ANSWERS = """
[screws]
value = 6
by = "T07"
[lamp]
value = "lit"
by = "T07"
[label-on]
value = true
by = "T07"
"""


@dataclass
class Bench:
    folder: Path

    def __post_init__(self) -> None:
        self.write("suite.toml", SUITE)
        self.write("answers.toml", ANSWERS)

    @property
    def station(self) -> Path:
        return self.folder / "station"

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text, "utf-8")
        return path

    def command(self, *words: str, before: tuple[str, ...] = ()) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*before, sys.executable, "-m", "verifier", *words],
            capture_output=True,
            text=True,
            cwd=self.folder,
            env={**os.environ, "VERIFIER_STATION": str(self.station), "NO_COLOR": "1"},
            stdin=subprocess.DEVNULL,
            timeout=120,
        )

    def run(self, *words: str, before: tuple[str, ...] = ()) -> subprocess.CompletedProcess[str]:
        return self.command("run", "suite.toml", "--at", f"recorded:{SERVER}", *words, before=before)

    def only_run(self) -> Path:
        (found,) = (self.station / "runs").iterdir()
        return found

    def record(self) -> dict[str, Any]:
        """The record of the only run, read by hand: JSON inside a JWS inside JSON."""
        import base64

        sealed = json.loads(next(self.only_run().glob("sealed*.json")).read_text("utf-8"))
        payload = sealed["record"].split(".")[1]
        found: dict[str, Any] = json.loads(base64.urlsafe_b64decode(payload + "=" * (-len(payload) % 4)))
        return found
