"""Takes the power button probe in a worker and presses when told to. A script for a process of its own.

For `umockdev-run`, which stands in for sysfs and for the ioctls of /dev/input/event3. A pipe takes the place of
the device's own node there: what is written to it here, the probe reads as the kernel's events.
"""

import json
import os
import struct
from pathlib import Path

import anyio

from verifier.gather.catalogue import load_catalogue
from verifier.gather.workers import WorkerPool
from verifier.readings import Value
from verifier.steps import Cue

CHANGES = {1: [(0.0, 1), (0.002, 0), (0.003, 1), (0.05, 0)], 2: [(0.0, 1), (0.15, 0)]}
"""Seconds and value of what the key does at each cue; the first press bounces."""


async def main() -> None:
    declaration = load_catalogue().declaration("button.presses")
    assert declaration is not None
    found: dict[str, Value] = {}
    node = Path(os.environ["UMOCKDEV_DIR"], "dev/input/event3")
    node.unlink()
    os.mkfifo(node)
    device = os.open(node, os.O_RDWR)
    cues: list[str] = []

    async def press(number: int) -> None:
        await anyio.sleep(0.2)
        for at, value in CHANGES[number]:
            stamp = 100 * number + at
            for kind, code, what in ((1, 116, value), (0, 0, 0)):
                event = struct.pack("@LLHHi", int(stamp), round(stamp % 1 * 1e6), kind, code, what)
                os.write(device, event)

    async with WorkerPool() as pool, anyio.create_task_group() as finger:
        settings = {"presses": 2, "longest_gap": 1.0}
        async for given in pool.take("button.presses", settings, "local", declaration=declaration, deadline=30.0):
            if not isinstance(given, Cue):
                found[given.name] = given.value
                continue
            cues.append(given.say)
            if given.say.startswith("Press now"):
                finger.start_soon(press, len(cues) - 1)
    print(json.dumps(found))


if __name__ == "__main__":
    anyio.run(main)
