"""A whole run at a terminal with somebody at the power button. A script for `umockdev-run`; argument: the folder.

A pipe takes the place of the button's event device, and this script those of the hand and of the keyboard.
"""

import os
import pty
import struct
import subprocess
import sys
import time
from pathlib import Path

HELD = 0.08
MISSED = 2
"""Which press the contact does not make, from 1."""


def main(folder: str) -> int:
    node = Path(os.environ["UMOCKDEV_DIR"], "dev/input/event3")
    node.unlink()
    os.mkfifo(node)
    device = os.open(node, os.O_RDWR)
    end, terminal = pty.openpty()
    run = subprocess.Popen(
        ["setsid", "--ctty", sys.executable, "-m", "verifier", "run", "button.toml"],
        cwd=folder,
        env={**os.environ, "VERIFIER_STATION": f"{folder}/station", "TERM": "dumb"},
        stdin=terminal,
        stdout=terminal,
        stderr=terminal,
    )
    os.close(terminal)
    screen = ""

    def when(words: str) -> None:
        nonlocal screen
        while words not in screen:
            screen += os.read(end, 4096).decode("utf-8", "replace")
        screen = screen.partition(words)[2]

    def change(value: int) -> None:
        seconds, fraction = divmod(time.monotonic(), 1)
        stamp = int(seconds), int(fraction * 1e6)
        os.write(device, struct.pack("@LLHHi", *stamp, 1, 116, value) + struct.pack("@LLHHi", *stamp, 0, 0, 0))

    when("Who is at the bench")
    os.write(end, b"T07\n")
    when("Enter to go on")
    os.write(end, b"\n")
    for number in (1, 2, 3):
        when(f"Press now ({number} of 3)")
        time.sleep(0.2)
        if number != MISSED:
            change(1)
            time.sleep(HELD)
            change(0)
    when("seal, again, correct")
    os.write(end, b"seal\n")
    while True:
        try:
            if not os.read(end, 4096):
                break
        except OSError:
            break
    return run.wait()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
