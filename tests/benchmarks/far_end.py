"""Prints what the far end measures against iperf3 over the same cable, and against the frame rates of the RFCs.

    .venv/bin/python tests/benchmarks/far_end.py

Each figure stands beside what the receiving interface itself counted meanwhile, on the wire and with headers: no
figure may be above that. Unbounded, both programs give what the wire says and still differ, up to threefold: there
is no line that limits them, only the processors, and ours asks them for less an octet. What a cable carries
is compared where a line limits both. Each end keeps to a processor of its own: left to the scheduler, one run
of either program has both ends on one processor, the next has not, and that decides.

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
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "gather/peer"))
sys.path.insert(0, str(Path(__file__).parent))
from namespaces import BENCH, Cable, cable, far_end, ip, paired, take
from wire import beside, fastest

from verifier.gather.peer.frames import SIZES, frame_rate, goodput_ceiling

LINE = 10e6
"""bit/s of the shaped cable."""
SHAPE = ("stab", "overhead", "24", "tbf", "rate", "10mbit", "burst", "4kb", "limit", "2mb")
"""tbf leaves out preamble 8, gap 12 and check sequence 4: stab adds them to each frame (tc-stab(8)). The queue is
long enough that a sender waits for room rather than that frames are dropped."""
GIGABIT = ("tbf", "rate", "1gbit", "burst", "256kb", "limit", "2mb")
HUNDRED = ("tbf", "rate", "100mbit", "burst", "32kb", "limit", "2mb")
COUNTED = 0.9
"""Seconds: the part of a transfer of one second that is counted."""
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


def apart(made: Cable) -> Cable:
    """The same cable, with whatever runs at each end on one processor of its own."""

    class Pinned(Cable):
        def on(self, namespace: str, *words: str) -> list[str]:
            core = "0" if namespace == self.bench else "1"
            return super().on(namespace, "taskset", "--cpu-list", core, *words)

    return Pinned(made.bench, made.unit)


def both_ways(made: Cable, *words: str) -> None:
    for end in (made.bench, made.unit):
        made.shape(*words, end=end)


def told(what: str, made: Cable, way: str, ours: Callable[[], float], theirs: Callable[[], float]) -> None:
    """Both figures in turns, each beside the fastest stretch that the receiving interface counted meanwhile.

    The median of five: a busy machine disturbs both alike.
    """
    receiving = made.bench if way == "up" else made.unit
    sides: list[list[tuple[float, float]]] = [[], []]
    for _ in range(5):
        for found, measure in zip(sides, (ours, theirs), strict=True):
            figure, samples = beside(partial(Cable.on, made), receiving, measure)
            found.append((figure, fastest(samples, COUNTED)))
    (mine, wire), (other, its_wire) = (tuple(map(statistics.median, zip(*one, strict=True))) for one in sides)
    true = statistics.median(figure / counted for figure, counted in sides[0])
    goals = ("met" if mine >= 0.95 * other else "MISSED", "met" if true <= 1.01 else "MISSED")
    print(f"{what} {way:<4} {mine:8.1f} Mbit/s, iperf3 {other:8.1f}: {mine / other:.3f}, goal 0.95: {goals[0]}")
    beside_it = f"beside iperf3 {its_wire:8.1f}"
    print(f"      on the wire {wire:8.1f}: {true:.3f}, at most 1.01: {goals[1]}; {beside_it}", flush=True)


def frames_a_second(made: Cable, station: Path, frame: int, seconds: float) -> float:
    """Frames of that size that arrive over the shaped cable."""
    count = int(frame_rate(LINE, frame) * seconds)
    settings = {"frames": [frame], "direction": "up", "rate": 0.0, "count": count}
    return float(take(made, station, "network.loss", **settings)[f"up_rate_{frame}"]["value"])


def tcp(what: str, made: Cable, station: Path) -> None:
    for way in ("up", "down"):
        back = ["--reverse"] if way == "down" else []
        ours = partial(throughput, made, station, way, 1.0)
        told(f"{what} TCP", made, way, ours, partial(iperf3, made, "--time", "2", *back))


def udp(what: str, made: Cable, station: Path, count: int) -> None:
    for way in ("up", "down"):
        back = ["--reverse"] if way == "down" else []
        words = ["--udp", "--bitrate", "0", "--length", "1472", "--time", "2", *back]

        def ours(way: str = way) -> float:
            settings = {"direction": way, "frames": [1518], "rate": 0.0, "count": count}
            return float(take(made, station, "network.loss", **settings)[f"{way}_payload_1518"]["value"])

        told(f"{what} UDP", made, way, ours, partial(iperf3, made, *words))


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, cable() as made, far_end(made) as code:
        station = Path(folder)
        paired(made, code, station)
        tcp("unbounded ", apart(made), station)
        both_ways(made, *GIGABIT)
        tcp("1 Gbit/s  ", apart(made), station)
        both_ways(made, *HUNDRED)
        udp("100 Mbit/s", apart(made), station, 16_000)
        made.shape(*SHAPE)
        for frame in SIZES:
            seen, most = frames_a_second(made, station, frame, 1.0), frame_rate(LINE, frame)
            off = seen / most - 1
            met = "within" if abs(off) <= TOLERANCE else "NOT WITHIN"
            print(f"{frame:5} octets {seen:9.1f} a second of {most:9.1f}: {off:+.2%}, {met} {TOLERANCE:.0%}")
        # Else several segments come to tbf as one, and what it takes apart itself has lost what stab added.
        ip("-n", made.unit, "link", "set", "lan0", "gso_max_segs", "1")
        ours = throughput(made, station, "up", 2.0)
        theirs, most = iperf3(made, "--time", "2"), goodput_ceiling(LINE) / 1e6
        print(f"TCP over 10 Mbit/s: {ours:.3f} Mbit/s of {most:.3f} by arithmetic, iperf3 {theirs:.3f}")


if __name__ == "__main__":
    main()
