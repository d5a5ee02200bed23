"""Prints what the far end measures against iperf3 over the same cable, and against the frame rates of the RFCs.

    .venv/bin/python tests/benchmarks/far_end.py

Needs root, iproute2 and iperf3. Two network namespaces and a veth pair between them; nothing else is touched.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "gather/peer"))
from namespaces import BENCH, Cable, cable, far_end, paired, take

from verifier.gather.peer.frames import SIZES, frame_rate, goodput_ceiling

LINE = 10e6
"""bit/s of the shaped cable."""
SHAPE = ("stab", "overhead", "24", "tbf", "rate", "10mbit", "burst", "4kb", "limit", "2mb")
"""tbf leaves out preamble 8, gap 12 and check sequence 4: stab adds them to each frame (tc-stab(8)). The queue is
long enough that a sender waits for room rather than that frames are dropped."""
TOLERANCE = 0.01
"""Of a frame rate. The bucket lets 4 kB pass at once at the beginning; the rest is the kernel's timer."""


def iperf3(made: Cable, *words: str) -> float:
    """Mbit/s that its receiver saw."""
    serve = made.on(made.bench, "iperf3", "--server", "--bind", BENCH)
    server = subprocess.Popen(serve, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        listening = made.on(made.bench, "ss", "-Hltn", "sport", ":5201")
        while not subprocess.run(listening, capture_output=True, check=True).stdout:
            time.sleep(0.02)
        ask = made.on(made.unit, "iperf3", "--client", BENCH, "--json", *words)
        result = subprocess.run(ask, capture_output=True, text=True, check=True, timeout=30)
    finally:
        server.terminate()
        server.wait(10)
    found: dict[str, Any] = json.loads(result.stdout)
    return float(found["end"]["sum_received"]["bits_per_second"]) / 1e6


def throughput(made: Cable, station: Path, way: str, seconds: float) -> float:
    found = take(made, station, "network.throughput", direction=way, seconds=seconds, repeats=2)
    return float(found[way]["value"])


def against_iperf3(made: Cable, station: Path, way: str, *, rounds: int, seconds: float) -> tuple[float, float]:
    """The median of each, taken in turns: a busy machine disturbs both alike."""
    theirs_of: Callable[[], float] = lambda: iperf3(  # noqa: E731
        made, "--time", f"{2 * seconds:.0f}", *(["--reverse"] if way == "down" else [])
    )
    ours, theirs = [], []
    for _ in range(rounds):
        ours.append(throughput(made, station, way, seconds))
        theirs.append(theirs_of())
    return statistics.median(ours), statistics.median(theirs)


def frames_a_second(made: Cable, station: Path, frame: int, seconds: float) -> float:
    """Frames of that size that arrive over the shaped cable."""
    count = int(frame_rate(LINE, frame) * seconds)
    settings = {"frames": [frame], "direction": "up", "rate": 0.0, "count": count}
    return float(take(made, station, "network.loss", **settings)[f"up_rate_{frame}"]["value"])


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, cable() as made, far_end(made) as code:
        station = Path(folder)
        paired(made, code, station)
        for way in ("up", "down"):
            ours, theirs = against_iperf3(made, station, way, rounds=5, seconds=0.5)
            met = "met" if ours >= 0.95 * theirs else "MISSED"
            print(f"TCP {way:<5} {ours:9.0f} Mbit/s, iperf3 {theirs:9.0f}: {ours / theirs:.3f}, goal 0.95: {met}")
        made.shape(*SHAPE)
        for frame in SIZES:
            seen, most = frames_a_second(made, station, frame, 1.0), frame_rate(LINE, frame)
            off = seen / most - 1
            met = "within" if abs(off) <= TOLERANCE else "NOT WITHIN"
            print(f"{frame:5} octets {seen:9.1f} a second of {most:9.1f}: {off:+.2%}, {met} {TOLERANCE:.0%}")
        # Else the kernel sends several segments as one, and stab adds to it once.
        subprocess.run(made.on(made.unit, "ethtool", "-K", "lan0", "gso", "off", "tso", "off"), check=True)
        tcp = throughput(made, station, "up", 2.0)
        theirs, most = iperf3(made, "--time", "2"), goodput_ceiling(LINE) / 1e6
        print(f"TCP over 10 Mbit/s: {tcp:.3f} Mbit/s of {most:.3f} by arithmetic, iperf3 {theirs:.3f}")


if __name__ == "__main__":
    main()
