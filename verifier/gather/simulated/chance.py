"""What is left to chance, each time from the seed and a name: neither order of reading nor resume changes it."""

from __future__ import annotations

import random
from functools import lru_cache


def chance(seed: int, *what: object) -> random.Random:
    """A source of its own for each thing that is named."""
    return random.Random("/".join(map(str, (seed, *what))))  # noqa: S311 - a simulation


@lru_cache(maxsize=4096)
def spread(seed: int, what: str, deviation: float) -> float:
    """By how much this unit differs from the usual one."""
    return chance(seed, what).gauss(0.0, deviation) if deviation else 0.0


@lru_cache(maxsize=4096)
def lot(seed: int, what: str) -> float:
    """Where between its bounds, -1 and 1, something lies that is the same all through a run."""
    return chance(seed, what).uniform(-1.0, 1.0)


def noise(seed: int, what: str, at: float, deviation: float) -> float:
    """By how much a value read `at` seconds differs from the true one."""
    return chance(seed, what, f"{at:.6f}").gauss(0.0, deviation) if deviation else 0.0
