"""A power cut in the middle of a run, as a technician types it: a logger on a serial line, a real time server."""

from __future__ import annotations

import json
import os
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "gather" / "hosts"))
sys.path.insert(0, str(Path(__file__).parent))
from orlop import Orlop
from typist import Typist

UNIX_EPOCH = 2_208_988_800
SUITE = """
schema = 1
model = "marrowby-orlop"
title = "Engine-room data logger"
revision = 1
[console]
baud = 9600
ending = "cr-lf"
[serial]
label = false
pattern = 'OR-\\d{{5}}'
[serial.firmware]
probe = "console.query"
settings = {{ send = "ID?", reply = "MARROWBY,ORLOP,{{serial}},{{level}}" }}
reading = "serial"
[parts.coin-cell]
title = "Coin cell"
joints = ["cell-holder"]
[joints.cell-holder]
title = "Holder of the coin cell"
[[checks]]
id = "keeps"
title = "Clock keeps its time on its cell"
probe = "clock.retention"
settings = {{ server = "127.0.0.1", port = {port}, holds_up = 0, jump = 0.5, dwell = 2, unplug = "the 24 V plug" }}
covers = ["cell-holder"]
limits = [
  {{ reading = "how", matches = "kept.*", source = "invented" }},
  {{ reading = "kept", is = true, source = "invented" }},
]
"""


@pytest.fixture
def server() -> Iterator[int]:
    """A time server that is right (RFC 5905, figure 8)."""
    line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    line.bind(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            try:
                request, client = line.recvfrom(1024)
            except OSError:
                return
            now = round((time.time() + UNIX_EPOCH) * 2**32) % 2**64
            origin = struct.unpack("!Q", request[40:48])[0]
            reply = struct.pack("!BBbbIIIQQQQ", 0b00_100_100, 1, 0, -20, 0, 66, 0, 0, origin, now, now)
            line.sendto(reply, client)

    threading.Thread(target=serve, daemon=True).start()
    yield line.getsockname()[1]
    line.close()


class Bench:
    """Commands at a terminal, with somebody who answers."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def at_terminal(self, *arguments: str, answers: list[tuple[str, str]]) -> tuple[int, str]:
        """Exit code and screen; `answers` are what to wait for and what to type then."""
        person = Typist(self.folder, *arguments)
        for words, typed in answers:
            person.when(words, f"{typed}\n")
        return person.ended(), person.screen

    def plain(self, *arguments: str) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "verifier", *arguments],
            cwd=self.folder,
            env={**os.environ, "VERIFIER_STATION": str(self.folder / "station")},
            capture_output=True,
            text=True,
            timeout=30,
        )
        return done.stdout + done.stderr


def test_a_logger_without_power_between_two_commands(tmp_path: Path, server: int) -> None:
    """Its cell is empty: it starts anew with the year 2000."""
    bench = Bench(tmp_path)
    (tmp_path / "suite.toml").write_text(SUITE.format(port=server))
    with Orlop() as logger:
        logger.behind = 5.0
        paused, screen = bench.at_terminal(
            "run", "suite.toml", "--at", f"serial:{logger.port}", answers=[("(badge or name): ", "T07")]
        )
        assert paused == 3, screen
        assert "- Coin cells: swallowed, they kill within hours" in screen
        assert "Take all power away now: the 24 V plug." in screen and "verifier resume" in screen
        (row,) = json.loads(bench.plain("runs", "--json"))
        assert row["state"] == "open" and "all power is to be away" in row["note"]
        logger.behind = time.time() - 946_684_800.0
        ended, screen = bench.at_terminal("resume", answers=[("or 1.5 h: ", "3 s"), ("(? explains): ", "seal")])
    assert ended == 1 and "it began anew, and shows 2000-01-01T00:00" in screen, screen
    (report,) = (tmp_path / "station" / "runs").glob("*/report.html")
    page = report.read_text("utf-8")
    assert "swallowed, they kill within hours" in page
    assert "against bench: SNTP, 127.0.0.1" in page
