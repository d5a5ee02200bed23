"""One process that keeps one core busy, for so many seconds at the most. Run by its path, with nothing but Python:

    python -I burner.py PARENT CORE SECONDS

1. It dies with the process that started it (PDEATHSIG), even if that is killed.
2. The kernel's own alarm ends it after its time, whatever it is doing then.
3. It gives way to everything else (nice 5), so that the bench can still be used and the sampling is on time.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import signal
import sys

PR_SET_PDEATHSIG = 1


def main(parent: int, core: int, seconds: int) -> None:
    signal.alarm(max(1, seconds))
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, ctypes.c_ulong(signal.SIGKILL), 0, 0, 0)
    if os.getppid() != parent:
        return  # it died before it could be watched
    os.nice(5)
    os.sched_setaffinity(0, {core})
    while True:
        # Straight through the vector units, a few milliseconds a call.
        hashlib.pbkdf2_hmac("sha512", b"warm", b"warm", 20_000)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:4]))
