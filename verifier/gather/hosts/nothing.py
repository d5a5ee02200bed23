"""A unit that runs nothing of ours: it has nothing to read, so that what is seen is seen from outside."""

from __future__ import annotations

from verifier.errors import NotPossible
from verifier.services import Clocks, Commands, Files

NONE = "none"


class NoHost:
    address = NONE
    services: frozenset[str] = frozenset()

    def __init__(self, clocks: Clocks) -> None:
        self.clocks = clocks

    @property
    def files(self) -> Files:
        raise NotPossible("the unit runs nothing of ours (--at none): it has no files to read")

    @property
    def commands(self) -> Commands:
        raise NotPossible("the unit runs nothing of ours (--at none): it runs no commands")
