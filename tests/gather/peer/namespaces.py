"""Two computers in one: network namespaces joined by a veth pair, and what runs in them.

Needs root (CAP_SYS_ADMIN, CAP_NET_ADMIN) and Debian's iproute2.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

BENCH, UNIT = "192.0.2.1", "192.0.2.2"
"""TEST-NET-1 (RFC 5737): these addresses exist nowhere."""
PORT = 7411
TAKE = str(Path(__file__).with_name("take.py"))


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


@dataclass(frozen=True)
class Cable:
    """`bench` and `unit` are namespaces, each with one end called lan0."""

    bench: str
    unit: str

    def on(self, namespace: str, *words: str) -> list[str]:
        return ["ip", "netns", "exec", namespace, *words]

    def shape(self, *words: str, end: str = "") -> None:
        """A token bucket at one end of the cable, the unit's unless named, as tc(8) takes it."""
        command = self.on(end or self.unit, "tc", "qdisc", "replace", "dev", "lan0", "root", *words)
        subprocess.run(command, check=True, capture_output=True)


@contextmanager
def cable() -> Iterator[Cable]:
    tag = secrets.token_hex(3)
    made = Cable(f"vb{tag}", f"vu{tag}")
    try:
        for namespace in (made.bench, made.unit):
            ip("netns", "add", namespace)
        ip("link", "add", "lan0", "netns", made.bench, "type", "veth", "peer", "name", "lan0", "netns", made.unit)
        for namespace, address in ((made.bench, BENCH), (made.unit, UNIT)):
            ip("-n", namespace, "address", "add", f"{address}/24", "dev", "lan0")
            ip("-n", namespace, "link", "set", "lan0", "up")
            ip("-n", namespace, "link", "set", "lo", "up")
        yield made
    finally:
        for namespace in (made.bench, made.unit):
            subprocess.run(["ip", "netns", "delete", namespace], capture_output=True)


@contextmanager
def far_end(
    cable: Cable, *words: str, folder: Path | None = None, place: str = f"{BENCH}:{PORT}"
) -> Iterator[str]:
    """`verifier peer` at the bench's end; the pairing code that it shows, if any.

    `folder` is the station's folder there; without it, one that goes away with the far end.
    """
    with TemporaryDirectory() as passing:
        yield from _far_end(cable, place, *words, "--station", str(folder or passing))


def _far_end(cable: Cable, place: str, *words: str) -> Iterator[str]:
    command = [
        sys.executable,
        "-u",
        "-m",
        "verifier",
        "peer",
        "--listen",
        place,
        "--hours",
        "0.1",
        *words,
    ]
    process = subprocess.Popen(cable.on(cable.bench, *command), stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        code = ""
        for line in process.stdout:
            if found := re.search(r"Pairing code: (\S+)|No further station may pair", line):
                code = found[1] or ""
                break
        else:
            raise AssertionError("it did not start")
        yield code
    finally:
        process.terminate()
        process.wait(10)
        assert process.stdout is not None
        process.stdout.close()


def paired(cable: Cable, code: str, station: Path, place: str = f"{BENCH}:{PORT}") -> None:
    command = [sys.executable, "-m", "verifier", "peer", "pair", place, "--code", code]
    subprocess.run([*cable.on(cable.unit, *command), "--station", str(station)], check=True, capture_output=True)


def take(cable: Cable, station: Path, probe: str, **settings: Any) -> dict[str, Any]:
    """Readings of a probe that runs at the unit's end, by name: value, unit, contributions. Or what it raised."""
    with taking(cable, station, probe, **settings) as process:
        out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    found: dict[str, Any] = json.loads(out)
    return found


def taking(cable: Cable, station: Path, probe: str, **settings: Any) -> subprocess.Popen[str]:
    command = cable.on(cable.unit, sys.executable, TAKE, probe, json.dumps(settings))
    return subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "VERIFIER_STATION": str(station)},
    )
