"""How long the power has to be away for a clock's rate to be decided, worked out before anybody waits.

A rate is the change of how far the clock is ahead over the time between two readings. Each reading is known
within what the reference and the look at the clock are known within, so the rate only by time:

    u(rate) = √2 u(end) / t,  u²(end) = u²(reference) + u²(look)          (JCGM 100, 5.1.2)

and beside it by what no time takes away: the temperature meanwhile (`crystal`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

PPM = 1e6
SHARE = 0.5
"""Of a limit's half-width, what the guard band may take where the dwell is left to us."""
_STEPS = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """How well each of the two readings is known, as firm bounds in s, and the rate whatever the time, in ppm."""

    reference: float
    look: float
    floor: float = 0.0
    """Standard uncertainty in ppm that no dwell takes away."""

    def u(self, seconds: float) -> float:
        """Standard uncertainty of the rate in ppm after a dwell. Bounds are rectangular (JCGM 100, 4.3.7)."""
        end = math.hypot(self.reference, self.look) / math.sqrt(3)
        return math.hypot(math.sqrt(2) * end / seconds * PPM, self.floor)

    def seconds(self, u: float) -> float:
        """The dwell after which the rate is known to `u` ppm; infinite where no dwell is enough."""
        if u <= self.floor:
            return math.inf
        end = math.hypot(self.reference, self.look) / math.sqrt(3)
        return math.sqrt(2) * end * PPM / math.sqrt(u**2 - self.floor**2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dwell:
    """What dwells there are for a limit of ± `within` ppm, at a risk R of a wrong pass."""

    within: float
    risk: float
    ends: Ends

    @property
    def shortest(self) -> float:
        """Seconds below which no rate at all could pass: u = within / Φ⁻¹(1 − R/2) (JCGM 106, 8.3.3)."""
        return self.ends.seconds(self.within / NormalDist().inv_cdf(1 - self.risk / 2))

    @property
    def planned(self) -> float:
        """Seconds after which the guard band takes half of the limit, in whole steps; or `shortest` where the
        temperature alone takes more than that."""
        seconds = self.ends.seconds(SHARE * self.within / NormalDist().inv_cdf(1 - self.risk))
        return rounded_up(seconds if math.isfinite(seconds) else 2 * self.shortest)

    def passes(self, seconds: float) -> float:
        """Up to which rate in ppm, either way, a clock passes after this dwell; 0 where none does."""
        if seconds < self.shortest:
            return 0.0
        normal = NormalDist(0.0, self.ends.u(seconds))
        low, high = 0.0, self.within
        for _ in range(60):  # where pC = 1 − R: it falls from the middle to the limit
            middle = (low + high) / 2
            conforms = normal.cdf(self.within - middle) - normal.cdf(-self.within - middle)
            low, high = (middle, high) if conforms >= 1 - self.risk else (low, middle)
        return low

    def table(self, dwell: float, heading: str = "power away") -> tuple[str, ...]:
        """Lines of a small table: what a shorter or longer dwell would give."""
        rows = sorted({rounded_up(self.shortest), self.planned, dwell, rounded_up(4 * dwell)})
        lines = [f"{heading:>13}  {'rate known within':>17}  {'passes up to':>12}"]
        for seconds in rows:
            reach = self.passes(seconds)
            passes = f"± {_figure(reach)} ppm" if reach else "nothing"
            mark = "  <- this check" if seconds == dwell else ""
            lines.append(
                f"{words(seconds):>13}  {f'± {_figure(2 * self.ends.u(seconds))} ppm':>17}  {passes:>12}{mark}"
            )
        return tuple(lines)


def longest(dwells: Sequence[Dwell]) -> Dwell:
    """The one that takes longest."""
    return max(dwells, key=lambda d: d.shortest)


def rounded_up(seconds: float) -> float:
    """The next length of time that a person would set: 20 s, 5 min, 2 h. Infinite stays so."""
    if not math.isfinite(seconds):
        return seconds
    for unit in (1.0, 60.0, 3600.0):
        for step in _STEPS:
            if seconds <= step * unit:
                return step * unit
    return math.ceil(seconds / 3600) * 3600.0


def _figure(ppm: float) -> str:
    return f"{ppm:.3g}" if ppm < 1000 else f"{ppm:.0f}"


def words(seconds: float) -> str:
    """A length of time as a person says it: 90 s, 20 min, 1.5 h."""
    if not math.isfinite(seconds):
        return "no time"
    for unit, name in ((3600.0, "h"), (60.0, "min")):
        if seconds >= 2 * unit or seconds == unit:
            return f"{seconds / unit:.3g} {name}"
    return f"{seconds:.3g} s"
