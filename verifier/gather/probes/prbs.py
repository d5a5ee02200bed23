"""Pseudo-random binary sequences (ITU-T O.150) and what a line made of one: bit errors and slips.

Characters carry eight bits of the sequence, the first one lowest, as a serial line sends them. Slips are of whole
characters: a line that marks each character with start and stop bits loses or repeats no less.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

TAPS = {9: 5, 15: 14, 23: 18}
"""x^9+x^5+1, x^15+x^14+1, x^23+x^18+1 (ITU-T O.150, 5.1, 5.3 and 5.6)."""
INVERTED = frozenset({15, 23})
"""Sent inverted (ITU-T O.150, 5.3 and 5.6; from memory)."""


def sequence(order: int, bits: int) -> int:
    """The first bits of the sequence after a register of ones, as a number whose lowest bit comes first.

    The recurrence s[i] = s[i−n] + s[i−m] holds for n·2^k and m·2^k too (squaring over GF(2)), so that each step
    makes many bits at once.
    """
    n, m = order, TAPS[order]
    made, length = (1 << n) - 1, n
    while length < bits:
        k = 1 << (max(1, length // n).bit_length() - 1)
        step = min(m * k, length)
        a = made >> (length - n * k)
        b = made >> (length - m * k)
        made |= ((a ^ b) & ((1 << step) - 1)) << length
        length += step
    return made & ((1 << bits) - 1)


@functools.cache
def characters(order: int) -> bytes:
    """One round of the sequence as characters: 2^n − 1 of them, eight rounds of bits. Inverted as O.150 says."""
    period = (1 << order) - 1
    one = sequence(order, period)
    bits = 0
    for number in range(8):
        bits |= one << (number * period)
    data = bits.to_bytes(period, "little")
    return bytes(0xFF ^ c for c in data) if order in INVERTED else data


class Generator:
    """The endless sequence, from any place in it."""

    def __init__(self, order: int) -> None:
        self._round = characters(order)

    def at(self, position: int, count: int) -> bytes:
        size = len(self._round)
        start = position % size
        found = self._round[start : start + count]
        while len(found) < count:
            found += self._round[: count - len(found)]
        return found


WINDOW = 16
"""Characters over which it is decided whether the line is still in step."""
OUT_OF_STEP = 32
"""Wrong bits among the 128 of a window from which on it is not; unrelated bits give 64."""
MATCH = 8
"""Characters in a row that must be right to be in step again."""
GARBLED = 65_536
"""Garbled characters that are kept to be counted when the line comes back in step."""
REACH = 2048
"""Characters that a slip may be long, either way; with PRBS-9, whose round is short, half of that round."""


@dataclass(slots=True)
class Tally:
    bits: int = 0
    """Compared while in step."""
    errors: int = 0
    slips: int = 0
    """How often the line fell out of step and came back with characters lost or too many."""
    lost: int = 0
    """Characters that slips took away."""
    added: int = 0
    """Characters that slips put in."""
    resyncs: int = 0
    """How often it was found again, after a slip or after garbled characters."""


class Comparator:
    """Holds received characters against the sequence, which we sent ourselves: where we are in it is known.

    `in_step` is False while what comes fits nowhere near.
    """

    def __init__(self, order: int) -> None:
        self._reference = Generator(order)
        self._position = 0
        self._waiting = bytearray()
        self._garbled = bytearray()
        """Received since it fell out of step."""
        self.in_step = True
        self.tally = Tally()

    @property
    def position(self) -> int:
        """Characters of the sequence that are dealt with."""
        return self._position

    @property
    def reached(self) -> int:
        """The same, with the characters that wait to be dealt with."""
        return self._position + len(self._garbled) + len(self._waiting)

    def take(self, received: bytes) -> None:
        self._waiting += received
        while self._step():
            pass

    def finish(self) -> None:
        """Nothing more comes: the last, incomplete window is compared as it is, if the line is in step."""
        if self.in_step and self._waiting:
            self._count(len(self._waiting))

    def _step(self) -> bool:
        if not self.in_step:
            return self._search()
        if len(self._waiting) < WINDOW:
            return False
        whole = len(self._waiting)
        if self._wrong(0, whole) == 0:
            self._count(whole)
            return True
        # A window at a time, so that what came before the break is compared and what came after is not.
        for start in range(0, whole - WINDOW + 1, WINDOW):
            if self._wrong(start, WINDOW) >= OUT_OF_STEP:
                # The break may have begun in the window before.
                good = max(0, start - WINDOW)
                while good < start + WINDOW and not self._breaks(good):
                    good += 1
                self._count(good)
                self.in_step = False
                return True
        # The last window stays: a break may show only with what follows.
        keep = WINDOW + whole % WINDOW
        if whole > keep:
            self._count(whole - keep)
            return True
        return False

    def _breaks(self, at: int) -> bool:
        """Whether from here on nothing fits: a wrong character, and mostly wrong ones after it."""
        size = min(MATCH, len(self._waiting) - at)
        return self._wrong(at, 1) > 0 and self._wrong(at, size) >= size * 8 * OUT_OF_STEP // (WINDOW * 8)

    def _search(self) -> bool:
        """Find the nearest place at which `MATCH` characters in a row are right again."""
        passed = 0
        while len(self._waiting) - passed >= MATCH:
            position = self._position + len(self._garbled) + passed
            low = max(0, position - REACH)
            near = self._reference.at(low, position - low + REACH + MATCH)
            places = _places(near, bytes(self._waiting[passed : passed + MATCH]))
            if places:
                found = low + min(places, key=lambda at: abs(low + at - position))
                self._pass(passed)
                self._back(found - position)
                return True
            passed += 1
        self._pass(passed)
        return False

    def _pass(self, characters: int) -> None:
        self._garbled += self._waiting[:characters]
        del self._waiting[:characters]
        if len(self._garbled) > GARBLED:
            # Nobody can say any more where in the sequence this belongs; it is not compared.
            self._position += len(self._garbled)
            self._garbled.clear()

    def _back(self, shift: int) -> None:
        """In step again. Without a shift the garbled characters are where they belong: their bits are errors."""
        self.in_step = True
        self.tally.resyncs += 1
        garbled, self._garbled = bytes(self._garbled), bytearray()
        if shift:
            self.tally.slips += 1
            self.tally.lost += max(0, shift)
            self.tally.added += max(0, -shift)
        else:
            reference = self._reference.at(self._position, len(garbled))
            self.tally.errors += _differing(reference, garbled)
            self.tally.bits += 8 * len(garbled)
        self._position += len(garbled) + shift

    def _wrong(self, start: int, count: int) -> int:
        reference = self._reference.at(self._position + start, count)
        return _differing(reference, self._waiting[start : start + count])

    def _count(self, characters: int) -> None:
        self.tally.errors += self._wrong(0, characters)
        self.tally.bits += 8 * characters
        self._position += characters
        del self._waiting[:characters]


def _differing(one: bytes, other: bytes | bytearray) -> int:
    return (int.from_bytes(one, "little") ^ int.from_bytes(other, "little")).bit_count()


def _places(text: bytes, wanted: bytes) -> list[int]:
    found, at = [], text.find(wanted)
    while at >= 0:
        found.append(at)
        at = text.find(wanted, at + 1)
    return found


def excluded(bits: int, errors: int, confidence: float = 0.95) -> float:
    """The bit-error rate that so many errors in so many bits exclude: true rates above it would show more errors
    with that confidence (Poisson). −ln 0.05 / n = 2.996 / n without any error ("3/BER rule").

    With k errors the bound is the quantile of a gamma distribution with k + 1 (Garwood, Biometrika 28, 1936).
    """
    if errors == 0:
        return -math.log(1 - confidence) / bits
    from scipy.special import gammaincinv

    return float(gammaincinv(errors + 1, confidence)) / bits
