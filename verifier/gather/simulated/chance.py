"""What is left to chance, each time from the seed and a name: neither order of reading nor resume changes it."""

from __future__ import annotations

import random


def chance(seed: int, *what: object) -> random.Random:
    """A source of its own for each thing that is named."""
    return random.Random("/".join(map(str, (seed, *what))))  # noqa: S311 - a simulation


def spread(seed: int, what: str, deviation: float) -> float:
    """By how much this unit differs from the usual one."""
    return chance(seed, what).gauss(0.0, deviation) if deviation else 0.0


def noise(seed: int, what: str, at: float, deviation: float) -> float:
    """By how much a value read `at` seconds differs from the true one."""
    return chance(seed, what, f"{at:.6f}").gauss(0.0, deviation) if deviation else 0.0
