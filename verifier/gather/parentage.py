"""Processes that end with the one that started them: prctl(2)."""

from __future__ import annotations

import ctypes
import os
import signal

PR_SET_PDEATHSIG = 1
PR_SET_CHILD_SUBREAPER = 36


def die_with(parent: int, by: signal.Signals) -> None:
    """From now on the kernel sends `by` when `parent` ends; ends at once where it has ended already.

    It follows the *thread* that started this process: start from the main one.
    """
    prctl(PR_SET_PDEATHSIG, by)
    if os.getppid() != parent:
        os._exit(0)


def adopt_orphans() -> None:
    """Descendants whose own parent ends become children of this process."""
    prctl(PR_SET_CHILD_SUBREAPER, 1)


def prctl(option: int, value: int) -> None:
    if ctypes.CDLL(None, use_errno=True).prctl(option, ctypes.c_ulong(value), 0, 0, 0):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), "prctl")
