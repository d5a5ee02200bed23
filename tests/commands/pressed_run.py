"""A whole run at a terminal with somebody at the power button. A script for `umockdev-run`; argument: the folder.

A pipe takes the place of the button's event device, and this script those of the hand and of the keyboard.
"""

import os
import struct
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from typist import Typist

HELD = 0.08
MISSED = 2
"""Which press the contact does not make, from 1."""


def main(folder: str) -> int:
    node = Path(os.environ["UMOCKDEV_DIR"], "dev/input/event3")
    node.unlink()
    os.mkfifo(node)
    device = os.open(node, os.O_RDWR)
    person = Typist(Path(folder), "run", "button.toml")

    def change(value: int) -> None:
        seconds, fraction = divmod(time.monotonic(), 1)
        stamp = int(seconds), int(fraction * 1e6)
        os.write(device, struct.pack("@LLHHi", *stamp, 1, 116, value) + struct.pack("@LLHHi", *stamp, 0, 0, 0))

    person.when("Who is at the bench", "T07\n")
    person.when("Enter to go on", "\n")
    for number in (1, 2, 3):
        person.when(f"Press now ({number} of 3)")
        time.sleep(0.2)
        if number != MISSED:
            change(1)
            time.sleep(HELD)
            change(0)
    person.when("seal, again, correct", "seal\n")
    return person.ended()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
