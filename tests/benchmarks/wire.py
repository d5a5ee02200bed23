"""What a network interface itself counts while something else measures: the truth for every figure of load."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")
_SAMPLE = """
import time
with open("/sys/class/net/lan0/statistics/rx_bytes", "rb", buffering=0) as counter:
    while True:
        counter.seek(0)
        print(time.monotonic(), int(counter.read(32)), flush=True)
        time.sleep(0.005)
"""


def fastest(samples: list[tuple[float, int]], seconds: float) -> float:
    """Mbit/s of the fastest stretch of that length; 0 where nothing lasted as long."""
    most, end = 0.0, 0
    for began, before in samples:
        while end < len(samples) and samples[end][0] - began < seconds:
            end += 1
        if end == len(samples):
            break
        most = max(most, (samples[end][1] - before) * 8e-6 / (samples[end][0] - began))
    return most


def beside(
    on: Callable[..., list[str]], namespace: str, work: Callable[[], T]
) -> tuple[T, list[tuple[float, int]]]:
    """What `work` gives, and meanwhile: when lan0 in that namespace had received how many octets."""
    command = on(namespace, sys.executable, "-S", "-c", _SAMPLE)
    sampler = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        found = work()
    finally:
        sampler.terminate()
        told, _ = sampler.communicate(timeout=10)
    lines = (line.split() for line in told.splitlines() if line.count(" ") == 1)
    return found, [(float(when), int(octets)) for when, octets in lines]
