"""What is left to chance, each time from the seed and a name: neither order of reading nor resume changes it."""

from __future__ import annotations

import math
import random
from functools import lru_cache
from hashlib import blake2b


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
    """By how much a value read `at` seconds differs from the true one.

    Two uniform numbers out of a hash make one normal one (Box and Muller): a source of its own for each value
    would take longer than all else that a reading takes.
    """
    if not deviation:
        return 0.0
    digest = blake2b(f"{seed}/{what}/{at:.6f}".encode(), digest_size=16).digest()
    one, other = int.from_bytes(digest[:8], "big") + 1, int.from_bytes(digest[8:], "big")
    return deviation * math.sqrt(-2 * math.log(one / 2**64)) * math.cos(2 * math.pi * other / 2**64)
