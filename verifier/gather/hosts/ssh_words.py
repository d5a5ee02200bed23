"""What is sent to a unit's shell, and what its answers mean.

The unit needs a POSIX shell with cat, ls, readlink and timeout, and nothing else. Error numbers are read off the
sentences that these print in the C locale: those of glibc, of musl and of busybox.
"""

from __future__ import annotations

import errno
import math
import os
import shlex

NEEDED = ("cat", "ls", "readlink", "timeout")
GRACE = 2
"""Seconds that a unit may take longer than it was told, before the bench stops waiting."""
TIMED_OUT = 124
"""Exit code of timeout(1) when the time is over."""
TIME_IS_OVER = (TIMED_OUT, 143)
"""What timeout(1) ends with when the time was over, that of older busyboxes too."""
NOT_STARTED = 126
NOT_FOUND = 127
IS_FOLDER, NOT_REGULAR = 121, 122
"""Our own exit codes, which no tool above uses."""
PATH_LIMIT = 4096
MARK = "verifier-begins-here"

_OTHERS = {
    "I/O error": errno.EIO,
    "No such file": errno.ENOENT,
    "Symbolic link loop": errno.ELOOP,
    "Filename too long": errno.ENAMETOOLONG,
    "No data available": errno.ENODATA,
    "Not supported": errno.EOPNOTSUPP,
    "Resource busy": errno.EBUSY,
    "Operation timed out": errno.ETIMEDOUT,
}
_NUMBERS = {os.strerror(number): number for number in sorted(errno.errorcode)} | _OTHERS


def error_number(said: str) -> int | None:
    """The errno behind the last line that cat, ls or readlink printed; None where it names none."""
    lines = said.strip().splitlines()
    return _NUMBERS.get(lines[-1].rpartition(": ")[2].strip()) if lines else None


def refuse_path(path: str) -> None:
    """OSError for what is no path of the unit; what is left begins with "/" and so is never an option."""
    if not path.startswith("/") or "\0" in path:
        raise OSError(errno.EINVAL, "not an absolute path", path[:200])
    if len(path.encode("utf-8", "surrogatepass")) > PATH_LIMIT:
        raise OSError(errno.ENAMETOOLONG, os.strerror(errno.ENAMETOOLONG), path[:200])


def in_shell(script: str) -> str:
    """The command line for any login shell: whatever it is, it starts a POSIX one.

    What the login shell says of itself before, on either stream, ends at the mark.
    """
    begun = f"LC_ALL=C; export LC_ALL; echo {MARK}; echo {MARK} >&2; {script}"
    return f"exec sh -c {shlex.quote(begun)}"


def after_mark(raw: bytes) -> bytes | None:
    """What our own commands printed; None where the POSIX shell did not even begin."""
    mark = f"{MARK}\n".encode("ascii")
    if raw.startswith(mark):
        return raw[len(mark) :]
    _, found, rest = raw.partition(b"\n" + mark)
    return rest if found else None


def reading(path: str, seconds: float) -> str:
    """Looked at before it is opened: opening a device can already do something."""
    name = shlex.quote(path)
    return in_shell(
        f"if [ -d {name} ]; then exit {IS_FOLDER}; fi; "
        f"if [ -e {name} ] && ! [ -f {name} ]; then exit {NOT_REGULAR}; fi; "
        f"exec timeout {_whole(seconds)} cat {name}"
    )


def listing(path: str, seconds: float) -> str:
    # The stroke at the end makes the kernel refuse what is no folder.
    return in_shell(f"exec timeout {_whole(seconds)} ls -1a {shlex.quote(path.rstrip('/') + '/')}")


def following(path: str, seconds: float) -> str:
    name = shlex.quote(path)
    return in_shell(
        f"timeout {_whole(seconds)} ls -dL {name} >/dev/null && exec timeout {_whole(seconds)} readlink -f {name}"
    )


def looking(path: str, seconds: float) -> str:
    return in_shell(f"exec timeout {_whole(seconds)} ls -dL {shlex.quote(path)} >/dev/null")


def running(argv: tuple[str, ...], seconds: float) -> str:
    return in_shell(f"exec timeout {_whole(seconds)} {shlex.join(argv)} </dev/null")


def recording(node: str, seconds: float) -> str:
    return in_shell(f"exec timeout {_whole(seconds)} cat {shlex.quote(node)} </dev/null")


def pouring(seconds: float) -> str:
    return in_shell(f"exec timeout {_whole(seconds)} cat /dev/zero </dev/null")


def swallowing(seconds: float) -> str:
    return in_shell(f"exec timeout {_whole(seconds)} cat >/dev/null")


def asking_for_tools() -> str:
    return in_shell(
        f'for tool in {" ".join(NEEDED)}; do command -v $tool >/dev/null 2>&1 || echo "lacks $tool"; done; '
        "echo ready"
    )


def _whole(seconds: float) -> int:
    return max(1, math.ceil(seconds))
