"""Good units of a model -> the range of their slow time constant, for the settings of `thermal.step`.

1. A good unit is one that was released with its heat path passed: by its last such run, each unit once. A
   simulated unit with a fault put in is none. Simulated and real units are never taken together.
2. Its time constant counts where the full fit knows it: as well as the fit must know it to contradict a suite
   (`disturbance.well_known`), and beyond the range of the fast one. Most early answers come too soon for that.
3. The range holds `CONTENT` of all good units with `CONFIDENCE`: two-sided tolerance limits of a normal
   distribution of its logarithm. The scatter of the fits is in it too, so that it is rather too wide than too
   narrow.
4. It is no narrower, as a ratio, than what the early answer was calibrated with (`looks.calibrated_slow`). That
   also holds what a bad interface does to the slow time constant, which good units cannot show: in the two-node
   ladder of the demo world a missing heat sheet makes it 1 % longer.

The calibration puts the truth at the very ends of a range and so asks one thing of it: that the truth lies within.
The range of the fast time constant is not learned: it has to hold bad interfaces, and good units show none.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from verifier.gather.heating import looks
from verifier.gather.heating.disturbance import well_known
from verifier.gather.probes.thermal_step import Settings
from verifier.readings import Reading, Stage, Verdict
from verifier.seal.record import Record
from verifier.trends.tolerance import two_sided_factor

PROBE = "thermal.step"
CONTENT, CONFIDENCE = 0.99, 0.95
LEAST_UNITS = 10
"""Judgement: of fewer, nobody sees whether they are alike, and the limits lie almost twice as far out as with very
many (k is 4.4 at ten units, 6.6 at five, 2.6 at last)."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the units tell."""

    seconds: tuple[float, ...]
    """The slow time constant of each unit, in the order of their runs."""
    since: str
    until: str
    """Dates of the first and the last run that counts."""
    left_out: dict[str, int]
    """Runs that do not count, by reason."""

    @property
    def when(self) -> str:
        return self.since if self.since == self.until else f"{self.since} to {self.until}"


@dataclass(frozen=True, slots=True)
class Learned:
    """Times in s."""

    factor: float
    """k of the tolerance limits."""
    limits: tuple[float, float]
    range: tuple[float, float]
    """For the suite: the limits, widened where they are narrower than what was calibrated, rounded outward."""
    widened: bool
    no_gain: bool
    """Whether the range is as wide as the widest that was calibrated: it makes no answer earlier."""


def collect(records: Iterable[Record], sensor: str) -> Told:
    """The time constants of released units, the oldest record first; of heatings seen by `sensor` alone."""
    units: dict[str, tuple[str, float]] = {}
    left_out: Counter[str] = Counter()
    for record in records:
        if (heating := _heating(record, sensor)) is None:
            continue
        readings, longest_fast = heating
        unit = record.unit.serial or ""
        if (simulation := record.host.simulation) is not None:
            unit += f", seed {simulation.seed}"
        tau = readings.get("time_constant_2")
        if record.host.faults:
            left_out["had a fault put in"] += 1
        elif not unit:
            left_out["of a unit without a serial number"] += 1
        elif tau is None or not _known(tau, float(readings["heated_for"].value), longest_fast):
            left_out["heated too briefly to tell it"] += 1
        else:
            left_out["of a unit that came again"] += unit in units
            units.pop(unit, None)
            units[unit] = (record.times.began[:10], float(tau.value))
    dates = [date for date, _ in units.values()]
    return Told(
        seconds=tuple(tau for _, tau in units.values()),
        since=min(dates, default=""),
        until=max(dates, default=""),
        left_out={reason: count for reason, count in left_out.items() if count},
    )


def learned(seconds: tuple[float, ...]) -> Learned:
    """ValueError for fewer than `LEAST_UNITS`."""
    if len(seconds) < LEAST_UNITS:
        raise ValueError(f"{len(seconds)} units are too few")
    logs = [math.log(tau) for tau in seconds]
    k = two_sided_factor(len(logs), CONTENT, CONFIDENCE)
    middle, half = statistics.fmean(logs), k * statistics.stdev(logs)
    ratios = [math.log(high / low) for low, high in looks.calibrated_slow()]
    kept = max(half, min(ratios) / 2)
    low, high = math.exp(middle - kept), math.exp(middle + kept)
    step = 10 ** (math.floor(math.log10(low)) - 1)
    return Learned(
        factor=k,
        limits=(math.exp(middle - half), math.exp(middle + half)),
        range=(round(math.floor(low / step) * step, 6), round(math.ceil(high / step) * step, 6)),
        widened=kept > half,
        no_gain=2 * kept >= max(ratios),
    )


def _heating(record: Record, sensor: str) -> tuple[dict[str, Reading], float] | None:
    """The readings of the last heating that passed after the repair, of this sensor, and how long its fast time
    constant could be; None where there is none."""
    found = None
    for check in record.checks:
        finding, attempt = check.finding, check.counting
        wanted = check.probe == PROBE and check.settings.get("sensor", "*") == sensor
        if not wanted or check.stage is Stage.ARRIVAL or finding is None or attempt is None:
            continue
        if finding.verdict is Verdict.PASS and attempt.takes:
            readings = {reading.name: reading for reading in attempt.takes[-1]}
            found = readings, float(check.settings.get("fast", Settings().fast)[1])
    return found


def _known(tau: Reading, heated_for: float, longest_fast: float) -> bool:
    u = math.hypot(*(line.u for line in tau.contributions))
    return well_known(float(tau.value), u, heated_for) and float(tau.value) > longest_fast
