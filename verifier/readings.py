"""The shared words: what every room may say to every other.

Plain frozen dataclasses and protocols, standard library only, so that a worker process starts
fast and a newcomer can build each by hand in a REPL. Rooms import this module, never a later room.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from fnmatch import fnmatchcase
from typing import Any, Literal, Protocol, TypeVar

Value = bool | int | float | str
"""What a reading or an answer can be: yes or no, a number, a text."""


class Stage(StrEnum):
    """When a check is made, in the order of the work."""

    ARRIVAL = "arrival"
    OPEN = "open"
    CLOSED = "closed"
    FINISHED = "finished"

    @property
    def order(self) -> int:
        return list(Stage).index(self)

    @property
    def words(self) -> str:
        """As a person reads it."""
        return _STAGE_WORDS[self]


_STAGE_WORDS = {
    Stage.ARRIVAL: "Arrival: before the unit is opened",
    Stage.OPEN: "Open: while what it looks at is still visible",
    Stage.CLOSED: "Closed: the functional test",
    Stage.FINISHED: "Finished: after the last cover, seal and label",
}


class Verdict(StrEnum):
    PASS = "pass"  # noqa: S105 - a verdict, not a password
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_RUN = "not-run"
    BENCH_ERROR = "bench-error"


class Disposition(StrEnum):
    RELEASE = "release"
    REWORK = "rework"
    HOLD = "hold"
    QUARANTINED = "hold: quarantined"
    """Stronger than all others: nothing but keeping it apart is to be done with the unit at this bench."""


class Basis(StrEnum):
    """Where an uncertainty comes from."""

    SPECIFICATION = "specification"
    STUDY = "study"
    STATEMENT = "statement"
    RESOLUTION = "resolution"
    REPEATS = "repeats"


class Shape(StrEnum):
    """The distribution an uncertainty contribution stands for (JCGM 100, 4.3)."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of an uncertainty budget (JCGM 100, 3.3 and 4.3)."""

    basis: Basis
    """Where the figure comes from: specification, study, author's statement, resolution or repeats."""
    u: float
    """Standard uncertainty, in the unit of the reading."""
    shape: Shape = Shape.NORMAL
    """Normal, or rectangular with half-width u times the square root of 3."""
    dof: float | None = None
    """Degrees of freedom; null means infinitely many."""
    note: str = ""
    """Which data sheet, study or statement."""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u) and self.u >= 0):
            raise ValueError(f"a standard uncertainty is a finite number of at least 0, not {self.u}")
        if self.dof is not None and not self.dof > 0:
            raise ValueError(f"degrees of freedom are above 0, not {self.dof}")

    @classmethod
    def half_width(cls, half_width: float, *, basis: Basis, note: str = "") -> Contribution:
        """A rectangular contribution from its half-width: u = a/√3 (JCGM 100, 4.3.7 eq. 7)."""
        return cls(basis=basis, u=half_width / math.sqrt(3), shape=Shape.RECTANGULAR, note=note)

    @classmethod
    def resolution(cls, step: float, *, note: str = "") -> Contribution:
        """What a display or register step of `step` leaves unknown: u = step/√12 (JCGM 100, F.2.2.1)."""
        return cls.half_width(step / 2, basis=Basis.RESOLUTION, note=note or f"step of {step:g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Samples of one quantity at a fixed step, kept as columns because thousands of them are common."""

    t0: float
    """Time of the first sample, in seconds after the check began."""
    dt: float
    """Step between samples, in seconds."""
    values: tuple[float, ...]
    """Samples, in the unit of the reading."""
    model: tuple[float, ...] = ()
    """What a model that was fitted to the samples gives at the same moments; empty where none was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Under which conditions a value came about, as far as they bear on what it can decide."""

    looks: int = 1
    """How often it could have been looked at before it was kept: each look spends an equal part of the risk."""
    at_least: bool = False
    """True where the measurement was broken off at a ceiling: the value itself is this or more."""
    doubt: str = ""
    """Why it decides nothing, in a few words; empty where it can decide."""
    remark: str = ""
    """What to say beside it, in a few words."""


PLAIN = Conditions()
"""Nothing bears on the value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """What was found at each cell of an area, such as a touch screen: one character a cell."""

    rows: tuple[str, ...]
    """From top to bottom, all of one length."""
    legend: tuple[tuple[str, str], ...]
    """Character and what it says, the one that is as it should be first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A value with its unit, what is known of its uncertainty, and where it was read."""

    name: str
    """Name within the check, as the probe declares it; a prompt's reading is named after its kind."""
    value: Value
    """Number, text, or yes/no."""
    unit: str = ""
    """UCUM text for numbers ("1" for a plain number); empty for text and yes/no."""
    origin: str = ""
    """Where exactly it was read: a file of the host, an instrument, a person's answer."""
    exact: bool = False
    """True for counts and states: the value has no uncertainty by nature."""
    contributions: tuple[Contribution, ...] = ()
    """What is known of the uncertainty of this one value, before the suite's own statements."""
    series: Series | None = None
    """Samples behind the value, where there are any."""
    grid: Grid | None = None
    """Cells behind the value, where it is about an area."""
    conditions: Conditions = PLAIN
    """Under which conditions it came about."""
    personal: bool = False
    """True where the text names a network, a device or a person that is nobody's business. None such stands among
    the readings of a record: there they are `names`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingDeclaration:
    """A reading that a probe promises to give."""

    name: str
    """Reading name; may hold * where a family of readings is given, such as chain_*."""
    kind: Literal["number", "text", "yes-no"]
    what: str
    """One sentence for the suite author."""
    unit: str = ""
    """UCUM text for numbers."""
    personal: bool = False
    """True for a text that names a network, a device or a person: a personal field of the record, no limits."""
    optional: bool = False
    """True where some hardware does not give it; a missing one is then no bench-error."""

    def matches(self, name: str) -> bool:
        return fnmatchcase(name, self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """A limit on a number as a probe may plan by it, in the unit of its reading."""

    reading: str
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What a probe says of a check before it is taken, from its settings and its limits."""

    settings: Mapping[str, Any]
    """The settings to take it with: those of the suite, and what the probe chose where they leave it open."""
    words: tuple[str, ...] = ()
    """Lines for whoever waits: how long it takes and why."""
    problem: str = ""
    """Why it cannot decide a limit; empty where it can."""
    to_do: str = ""
    """What the suite's author does about that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoFar:
    """What a check had given when its probe let the run pause, for the probe that goes on with it."""

    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeDeclaration:
    """What a probe says of itself, so that suites can be checked and hosts matched without running it."""

    name: str
    """Subject and aspect in dotted lower case, such as ethernet.link."""
    title: str
    what: str
    """A few sentences for the suite author: what is read and what it tells."""
    settings: type[Any]
    """A dataclass of the settings it takes, each with a type and (where sensible) a default."""
    readings: tuple[ReadingDeclaration, ...]
    services: tuple[str, ...] = ("files",)
    """Services it needs of the host: files, commands, console, net, clock, radio, buttons, input, sound, serial,
    load."""
    privileges: tuple[str, ...] = ()
    """What it needs to be allowed, in words, and which reading goes missing without it."""
    sources: tuple[str, ...] = ()
    """Documents that define what it reads."""
    example: str = ""
    """A check in suite TOML that uses it."""
    cues: bool = False
    """True where it asks the technician to act while it watches: it then yields `Cue` beside its readings, and
    has the technician to itself."""
    holds: tuple[str, ...] = ()
    """Resources that it has to itself while it lasts, beside those that a suite names in `needs`."""
    timeout: float = 30.0
    """Seconds after which it counts as hung, where the suite says nothing."""
    energises: Literal["", "charges", "loads", "heats"] = ""
    """What it does to the unit that a damaged cell must not meet; empty where it does none of it. Probes that need
    the service `energise` or `load` count as energising without it."""
    cautions: tuple[str, ...] = ()
    """What can hurt or be harmed where it is used: shown before the run and in the report."""
    pauses: bool = False
    """True where it spans a pause of the run: it may end in a `Pause`, and then goes on by `go_on`. It has the
    unit to itself."""
    looks: bool = False
    """True where it may end as soon as what it has decides the check: it then yields `Look` beside its
    readings."""
    consults: bool = False
    """True where it asks for readings of the bench's instruments beside its own, by `Consult`."""
    forecast: Callable[[Mapping[str, Any], Sequence[Bound], float], Forecast] | None = None
    """Where it can say beforehand what it takes to decide: from settings that fit, limits, and the largest chance
    that a value that passed lies outside (0 where the uncertainty is not used)."""
    lasts: Callable[[Any], float] | None = None
    """How many seconds one take lasts at the most, by its settings alone: from an instance of them. What hands,
    links and instruments add is not in it."""
    told: Callable[[Mapping[str, Any]], tuple[ReadingDeclaration, ...]] | None = None
    """Where the suite's settings decide which readings there are: from those settings to the readings, none
    where the settings are wrong. `readings` then holds those of the default settings."""

    def with_settings(self, settings: Mapping[str, Any]) -> ProbeDeclaration:
        """The declaration with the readings that these settings give."""
        return self if self.told is None else replace(self, readings=self.told(settings))

    def reading(self, name: str) -> ReadingDeclaration | None:
        return next((r for r in self.readings if r.matches(name)), None)


class Catalogue(Protocol):
    """Which probes exist. Lint asks this, so that declaring never imports gathering."""

    def names(self) -> Sequence[str]: ...

    def declaration(self, name: str) -> ProbeDeclaration | None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One reading held against one limit."""

    reading: str
    verdict: Verdict
    limit: str
    """The limit in words, with its unit: "at most 45 K"."""
    source: str
    """Where the requirement comes from."""
    rule: Literal["guarded", "simple", "exact"]
    """Which decision rule applied; exact for counts, states, texts and yes/no."""
    value: Value | None = None
    """The pooled reading that was judged; null when there was none."""
    unit: str = ""
    lower: float | None = None
    """Lower tolerance limit TL, in `unit`."""
    upper: float | None = None
    """Upper tolerance limit TU, in `unit`."""
    u: float | None = None
    """Combined standard uncertainty, in `unit`; null where nothing is known."""
    dof: float | None = None
    """Effective degrees of freedom (JCGM 100, G.4); null means infinitely many."""
    distribution: Literal["none", "normal", "t", "rectangular", "rectangular-normal"] = "none"
    interval: tuple[float, float] | None = None
    """Coverage interval of 95 %, in `unit`."""
    conformance: float | None = None
    """Conformance probability pC (JCGM 106, 7); null where the rule does not use it."""
    margin: float | None = None
    """Distance from the value to the nearest limit, in `unit`; negative beyond it."""
    guard_band: float | None = None
    """Width between limit and acceptance limit on the nearer side, in `unit`."""
    accept_from: float | None = None
    accept_to: float | None = None
    """Acceptance limits, in `unit`; null on an open side. Both null with `accept_none`: empty interval."""
    accept_none: bool = False
    """True where no value at all could be accepted: the uncertainty is too large for the limits."""
    repeatability_evaluated: bool = True
    """False where nothing but resolution is known."""
    readings_pooled: int = 1
    budget: tuple[Contribution, ...] = ()
    reason: str = ""
    """A sentence: what is wrong, or what would decide it."""
    looks: int = 1
    """How many looks share the risk: each may be wrong with this part of it."""
    remark: str = ""
    """What whoever took the reading says beside it, such as when it was stopped."""
    at_least: bool = False
    """True where the reading was broken off: the true value is at least this one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRate:
    """How often a check failed in cycles whose number was fixed beforehand, and what that says at 95 %."""

    cycles: int
    """Cycles that were judged: all that the suite asks for."""
    failed: int
    """How many of them failed."""
    lower: float
    """Smallest share of failing cycles that agrees with this; 0 where none failed."""
    upper: float
    """Largest share of failing cycles that agrees with this: two-sided (Clopper and Pearson) where some failed,
    one-sided 1 - 0.05^(1/n) (success run) where none did."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A check's readings held against its limits."""

    verdict: Verdict | None
    """Null for a check without limits: taken, and never counted as judged."""
    reason: str = ""
    """A sentence for the technician; why it failed, was not run, or what would decide it."""
    held: tuple[Held, ...] = ()
    absent: bool = False
    """True where the hardware was not there."""
    not_fitted: bool = False
    """True where it was absent and the suite says that this is no fault: the check is not required."""
    not_needed: bool = False
    """True where this repair does not call for the check, or another one stands in for it: it is not required."""
    to_do: str = ""
    """What to do next, where whatever kept the check from being taken says so."""
    rate: FaultRate | None = None
    """Where the check was taken in cycles and each was judged: what they say of an intermittent fault."""


C = TypeVar("C", contravariant=True)


class Judge(Protocol[C]):
    """Holds the readings of a check against its limits. `takes` has one list of readings a repeat."""

    def __call__(self, check: C, takes: Sequence[Sequence[Reading]]) -> Finding: ...

    def of_cycles(self, check: C, cycles: Sequence[Cycle]) -> Finding:
        """One finding for all cycles of a check, each of which has its own."""
        ...


class StopRule(Protocol[C]):
    """Whether what a probe has so far decides a check, so that it may end early."""

    def __call__(self, check: C, readings: Sequence[Reading]) -> bool: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Who did something, and how that person was known. A personal field of the record."""

    name: str
    known: Literal["typed", "answers-file", "option", "order", "account", "simulated"] = "typed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """When something was journalled."""

    wall: str
    """RFC 3339 UTC, for people."""
    boot: str
    """CLOCK_BOOTTIME in seconds, as decimal text."""
    boot_id: str
    """Which power-up of the station; durations across different ones need a reference."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a technician answered, with the question as it was shown."""

    kind: str
    shown: str
    value: Value
    by: Person
    unit: str = ""
    at: Moment | None = None
    from_memory: bool = False
    """True where the question was answered after what it asks about was covered up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One cold start or position of a check that is taken in cycles. Its readings are among the takes."""

    number: int
    """From 1. A cycle that was taken again stands here more than once."""
    began: Moment
    position: str = ""
    """Where the unit was for it, in the suite's words."""
    ended: Moment | None = None
    first_take: int = 0
    """Index of its first take."""
    takes: int = 0
    """How many takes are its."""
    finding: Finding | None = None
    """Null where it was not finished."""
    set_aside: str = ""
    """Why it does not count (the bench failed, interrupted); empty if it does."""


Ended = Literal["judged", "absent", "not-run", "bench-error", "unfinished"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One try at a check. The last one that is not set aside counts; all stay visible."""

    check: str
    stage: Stage
    began: Moment
    ended: Moment | None = None
    takes: tuple[tuple[Reading, ...], ...] = ()
    """One list of readings a repeat."""
    answers: tuple[Answer, ...] = ()
    finding: Finding | None = None
    set_aside: str = ""
    """Why this attempt no longer counts (corrected, taken again, part reopened, interrupted); empty if it does."""
    host: str = ""
    """Which host the readings came from."""
    paused: bool = False
    """True where the run paused for it."""
    before_pause: int = 0
    """How many of its readings it had when the run paused for it."""
    cycles: tuple[Cycle, ...] = ()
    """In the order in which they were begun; empty for a check without cycles."""

    @property
    def counting_cycles(self) -> tuple[Cycle, ...]:
        """Those that are finished and not set aside: one for each number, from 1 on."""
        return tuple(cycle for cycle in self.cycles if cycle.finding is not None and not cycle.set_aside)


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """Something a person did to an unsealed run: correct, again, reopen, waive, or go on despite a quarantine."""

    kind: Literal["correct", "again", "reopen", "waive", "go-on"]
    subject: str
    """The check, part or joint; of a go-on the earlier run, whose day and finding are its value."""
    why: str
    by: Person
    at: Moment
    value: Value | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Interruption:
    """A time in which the run stood still, or was killed."""

    kind: Literal["pause", "killed", "stopped"]
    at: Moment
    """When it stood still; for a kill, the last thing journalled before."""
    resumed: Moment | None = None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialNumber:
    """What one source says of the unit's serial number."""

    source: Literal["label", "firmware", "order", "option"]
    value: str | None
    """Null where that source says nothing; `note` says why."""
    note: str = ""
    at: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JointCoverage:
    """Whether a joint was proved after it was last disturbed."""

    joint: str
    title: str
    disturbed: bool
    coverage: Literal["measured", "by-eye", "not-covered", "waived"]
    checks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """The disposition of the whole unit with its reason, in words for the next person who acts."""

    disposition: Disposition
    reason: str
    """One sentence without the disposition's own word: "port 2 fell back to 480 Mbit/s"."""
    risk_bound: float | None = None
    """Chance that at least one pass is wrong if each stood at its acceptance limit: 1 − (1 − R)^n over the n
    guarded passes, each judged by itself. Null where there is none."""
    joints: tuple[JointCoverage, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class InjectedFault:
    """A fault that was put into a simulated unit on purpose."""

    name: str
    severity: str
    title: str
    joint: str = ""
    """The joint of the suite that is wrong; empty where none is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulation:
    """What a simulated run simulates: enough to take the same readings again."""

    seed: int
    """Decides everything that is left to chance."""
    unit: dict[str, Any]
    """The simulated unit's description, with every key, and with its faults in it."""
    faults: tuple[InjectedFault, ...] = ()
    """The faults that were put in."""


Role = Literal["station", "self", "simulated"]
"""Who a record speaks for: a bench, the unit about itself, or nobody real."""
