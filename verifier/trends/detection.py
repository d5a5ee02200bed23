"""What a suite finds of known faults, and what it says of sound units: counts, and how sure they are.

A unit that goes back for rework was *caught*, one that is held was *held*, and one that is released although
something is wrong *escaped*. Whether the units were real or simulated is for the caller to say.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from verifier.judge.proportions import clopper_pearson
from verifier.readings import Disposition, Verdict

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Share:
    """`count` of `total`, with its exact two-sided 95 % interval (Clopper and Pearson 1934)."""

    count: int
    total: int

    @property
    def value(self) -> float:
        return self.count / self.total

    @property
    def interval(self) -> tuple[float, float]:
        return clopper_pearson(self.count, self.total, CONFIDENCE)

    def to_json(self) -> dict[str, Any]:
        low, high = self.interval
        return {"count": self.count, "total": self.total, "from": round(low, 6), "to": round(high, 6)}

    @property
    def words(self) -> str:
        low, high = (100 * bound for bound in self.interval)
        return f"{self.count} of {self.total} ({_percent(low)} to {_percent(high)} %)"


def _percent(value: float) -> str:
    """Two digits where it matters: near 0 and near 100."""
    return f"{value:.0f}" if value in (0, 100) or 9.95 <= value <= 90 else f"{value:.1f}"


@dataclass(slots=True)
class Tally:
    """What became of some units that have the same fault, or none."""

    runs: int = 0
    caught: int = 0
    held: int = 0
    escaped: int = 0
    """Released. For sound units that is as it should be."""
    placed: int = 0
    """Runs in which a check that failed covers the joint that is wrong: somebody looks at the right place."""
    checks: dict[str, Counter[str]] = field(default_factory=dict)
    """By check: how often it came to each verdict but pass."""

    def add(
        self, disposition: Disposition, verdicts: Mapping[str, Verdict | None], covering: frozenset[str]
    ) -> None:
        """One more run. `covering` are the checks that cover the joint that is wrong."""
        self.runs += 1
        self.caught += disposition in (Disposition.REWORK, Disposition.QUARANTINED)
        self.held += disposition is Disposition.HOLD
        self.escaped += disposition is Disposition.RELEASE
        failed = {check for check, verdict in verdicts.items() if verdict is Verdict.FAIL}
        self.placed += bool(failed & covering)
        for check, verdict in verdicts.items():
            if verdict not in (None, Verdict.PASS):
                self.checks.setdefault(check, Counter())[verdict.value] += 1

    def merge(self, other: Tally) -> None:
        self.runs += other.runs
        self.caught += other.caught
        self.held += other.held
        self.escaped += other.escaped
        self.placed += other.placed
        for check, verdicts in other.checks.items():
            self.checks.setdefault(check, Counter()).update(verdicts)

    def fails(self, check: str) -> int:
        return self.checks.get(check, Counter())[Verdict.FAIL.value]

    def share(self, count: int) -> Share:
        return Share(count, self.runs)

    def to_json(self) -> dict[str, Any]:
        """Counts alone: the same runs give the same text."""
        return {
            "runs": self.runs,
            "caught": self.caught,
            "held": self.held,
            "escaped": self.escaped,
            "placed": self.placed,
            "checks": {check: dict(sorted(self.checks[check].items())) for check in sorted(self.checks)},
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Tally:
        """Raises KeyError, TypeError or ValueError where `data` is no tally."""
        numbers = {name: int(data[name]) for name in ("runs", "caught", "held", "escaped", "placed")}
        checks = {
            str(c): Counter({str(v): int(n) for v, n in found.items()}) for c, found in data["checks"].items()
        }
        return cls(**numbers, checks=checks)


@dataclass(frozen=True, slots=True)
class FaultTally:
    """What became of the units with one fault."""

    name: str
    severity: str
    title: str
    joint: str
    """Empty where no joint of the suite is wrong."""
    tally: Tally

    @property
    def found_by(self) -> list[tuple[str, Share]]:
        """The checks that failed, most often first."""
        tally = self.tally
        found = [(check, tally.share(tally.fails(check))) for check in tally.checks if tally.fails(check)]
        return sorted(found, key=lambda one: (-one[1].count, one[0]))

    @property
    def undecided_by(self) -> list[tuple[str, str, int]]:
        """Checks that came to neither pass nor fail though they were taken: check, verdict, how often."""
        found = [
            (check, verdict, count)
            for check, verdicts in self.tally.checks.items()
            for verdict, count in verdicts.items()
            if verdict in (Verdict.INCONCLUSIVE.value, Verdict.BENCH_ERROR.value)
        ]
        return sorted(found, key=lambda one: (-one[2], one[0]))


def escapes_first(faults: Iterable[FaultTally]) -> list[FaultTally]:
    """What escaped most often comes first, then what was only held, then the rest by name."""
    return sorted(faults, key=lambda f: (-f.tally.escaped / f.tally.runs, f.tally.caught, f.name, f.severity))


def false_alarms(healthy: Tally) -> list[tuple[str, Share]]:
    """The checks that failed on sound units, most often first."""
    found = [(check, healthy.share(healthy.fails(check))) for check in healthy.checks if healthy.fails(check)]
    return sorted(found, key=lambda one: (-one[1].count, one[0]))
