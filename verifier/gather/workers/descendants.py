"""Ending a whole tree of processes, also of those that left their session, ignore signals or fork on.

It rests on the root of the tree being a child subreaper: whoever loses its parent becomes the root's
child and stays in the tree (prctl(2), PR_SET_CHILD_SUBREAPER).
"""

from __future__ import annotations

import os
import signal
from collections import defaultdict
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

PATIENCE = 400
"""How many times `ending` looks again before it gives up; a process in an uninterruptible read cannot be ended."""

SCANS = 100
"""How many times `living` looks again when processes come and go while it looks."""


def living(root: int) -> set[int]:
    """Process ids of all descendants of `root` that have not died (zombies have)."""
    parents, dead = _all_processes()
    lost = _unlinked(parents)
    for _ in range(SCANS):
        if not lost:
            break
        # A process whose parent was gone before it could be read hangs in the air: look again. Parents that
        # are never seen (another user's, with hidepid) stay the same from one look to the next.
        before = lost
        parents, dead = _all_processes()
        lost = _unlinked(parents)
        if lost == before:
            break
    offspring: dict[int, list[int]] = defaultdict(list)
    for pid, parent in parents.items():
        offspring[parent].append(pid)
    found: set[int] = set()
    ahead = list(offspring[root])
    while ahead:
        pid = ahead.pop()
        found.add(pid)
        ahead += offspring[pid]
    return found - dead


def _all_processes() -> tuple[dict[int, int], set[int]]:
    """The parent of each process there is, and which of them are dead."""
    parents: dict[int, int] = {}
    dead = set()
    with os.scandir("/proc") as entries:
        for entry in entries:
            if not entry.name.isdecimal():
                continue
            try:
                status = Path(entry.path, "stat").read_bytes()
            except OSError:
                continue  # gone since
            # pid (name) state ppid ...: the name may hold anything, also brackets.
            state, parent = status[status.rindex(b")") + 2 :].split(b" ", 2)[:2]
            parents[int(entry.name)] = int(parent)
            if state in (b"Z", b"X"):
                dead.add(int(entry.name))
    return parents, dead


def _unlinked(parents: dict[int, int]) -> set[tuple[int, int]]:
    return {(pid, parent) for pid, parent in parents.items() if parent and parent not in parents}


def children(pid: int) -> set[int]:
    """Process ids of the children of one process, zombies too."""
    try:
        with os.scandir(f"/proc/{pid}/task") as threads:
            told = [Path(thread.path, "children").read_bytes() for thread in threads]
    except OSError:
        # Not every kernel tells (CONFIG_PROC_CHILDREN); looking at all processes takes milliseconds.
        return living(pid)
    return {int(word) for text in told for word in text.split()}


def ending(root: int) -> Iterator[None]:
    """Stop and list the descendants of `root` until none is new, then kill them all.

    Yields whenever a moment should be waited. Stopping first matters: a process that is killed while it
    forks leaves a child nobody has listed.
    """
    for _ in range(PATIENCE):
        stopped: set[int] = set()
        while new := living(root) - stopped:
            for pid in new:
                _signal(pid, signal.SIGSTOP)
            stopped |= new
        if not stopped:
            return
        for pid in stopped:
            _signal(pid, signal.SIGKILL)
        yield


def _signal(pid: int, number: signal.Signals) -> None:
    with suppress(OSError):
        os.kill(pid, number)
