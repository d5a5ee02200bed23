"""A wire that goes wrong: passes bytes between a terminal and itself, as a loop-back plug does, and injures them.

A process of its own. Prints the name of the terminal to open. Argument: what to do, as JSON: positions (counted
in characters that came in) to flip a bit at, to drop or to repeat; `swallow` from a position on; `garble` all;
`hang_up` at a position; `slow` for one character every so many seconds.
"""

import json
import os
import sys
import time
import tty

wrong = json.loads(sys.argv[1])
flip, drop, double = (frozenset(wrong.get(name, ())) for name in ("flip", "drop", "double"))
swallow, hang_up = wrong.get("swallow", float("inf")), wrong.get("hang_up", float("inf"))
ours, theirs = os.openpty()
tty.setraw(theirs)
print(os.ttyname(theirs), flush=True)
position = 0
while True:
    out = bytearray()
    for character in os.read(ours, 1 if "slow" in wrong else 4096):
        if position >= hang_up:
            sys.exit()
        passed = character ^ (0x10 if position in flip else 0)
        if wrong.get("garble"):
            passed = (passed * 7 + 13) & 0xFF
        if position not in drop and position < swallow:
            out.append(passed)
        if position in double:
            out.append(passed)
        position += 1
    time.sleep(wrong.get("slow", 0))
    while out:
        del out[: os.write(ours, out)]
