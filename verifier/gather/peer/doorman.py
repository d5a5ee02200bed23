"""Who may still try: connections that have not proved themselves are few, and those who fail wait."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable

AT_ONCE = 16
"""Connections without proof, in all."""
AT_ONCE_EACH = 2
"""The same from one address: one that dribbles cannot keep the others out."""
FAILURES = 5
"""From one address, before it has to wait."""
SHUT_OUT = 60.0
"""Seconds that it waits."""
REMEMBERED = 1024
"""Addresses that are remembered; the longest unseen is forgotten."""


class Doorman:
    """Addresses count one by one, those of IPv6 too: all of a bench share a /64, and one that fails there would
    shut out the others. Who has many addresses is bounded by `AT_ONCE` alone."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._lock = threading.Lock()
        self._inside: dict[str, int] = {}
        self._failed: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def admit(self, address: str) -> bool:
        """Whether a new connection may try to prove itself; `leave` must follow when it may."""
        who = address.partition("%")[0]
        with self._lock:
            failures, since = self._failed.get(who, (0, 0.0))
            if failures >= FAILURES:
                if self._now() - since < SHUT_OUT:
                    return False
                del self._failed[who]
            if sum(self._inside.values()) >= AT_ONCE or self._inside.get(who, 0) >= AT_ONCE_EACH:
                return False
            self._inside[who] = self._inside.get(who, 0) + 1
            return True

    def leave(self, address: str, *, failed: bool) -> bool:
        """The connection has proved itself, or failed; whether its address has to wait from now on."""
        who = address.partition("%")[0]
        with self._lock:
            self._inside[who] -= 1
            if not self._inside[who]:
                del self._inside[who]
            failures, _ = self._failed.pop(who, (0, 0.0))
            if not failed:
                return False
            self._failed[who] = (failures + 1, self._now())
            if len(self._failed) > REMEMBERED:
                self._failed.popitem(last=False)
            return failures + 1 == FAILURES
