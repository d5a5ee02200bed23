"""The suite file as a model: what a suite author may write, and nothing else.

Shape only; rules between the keys of one table are in `complaints`, and what needs the whole suite or the
catalogue of probes is in `lint`.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationInfo,
    model_validator,
)

from verifier.declare.complaints import (
    check_complaints,
    cycles_complaints,
    limit_complaints,
    raise_first,
    statement_complaints,
)
from verifier.declare.durations import Duration
from verifier.readings import Stage

Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=64, min_length=1)]
"""Lower-case words joined by hyphens, such as antenna-left."""
ReadingName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9]*(_[a-z0-9]+)*$", max_length=64)]
"""Lower-case words joined by underscores, such as chain_0: usable in `compute`."""
Sentence = Annotated[str, StringConstraints(min_length=1, max_length=1000, strip_whitespace=True, pattern=r"\S")]
Number = Annotated[float, Field(allow_inf_nan=False)]
UnitText = Annotated[str, StringConstraints(max_length=60)]
"""UCUM text or a bench spelling of it."""


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, populate_by_name=True)


class Rule(StrEnum):
    GUARDED = "guarded"
    SIMPLE = "simple"


class Decision(_Model):
    """How readings are held against limits."""

    rule: Rule = Rule.GUARDED
    """guarded: the uncertainty counts; simple: reading against limit, uncertainty not used."""
    max_false_accept: float = Field(default=0.025, gt=0, lt=0.5)
    """Largest chance that a passed value lies outside its limit (JCGM 106, specific consumer's risk)."""
    max_false_reject: float | None = Field(default=None, gt=0, lt=0.5)
    """Largest chance that a failed value lies inside its limit; the same as max_false_accept unless given."""

    @property
    def reject_risk(self) -> float:
        return self.max_false_accept if self.max_false_reject is None else self.max_false_reject


class Fit(StrEnum):
    AGAIN = "again"
    NEW_ONLY = "new-only"
    AGAIN_IF_UNDAMAGED = "again-if-undamaged"


class Part(_Model):
    """Something that can be replaced."""

    title: Sentence
    """Name of the part as the technician knows it."""
    fit: Fit = Fit.AGAIN
    """Whether the part may be fitted again."""
    reached_through: tuple[Identifier, ...] = Field(default=(), max_length=100)
    """Parts that have to come out first; theirs count too."""
    joints: tuple[Identifier, ...] = Field(default=(), max_length=200)
    """Joints that taking this part out disturbs."""
    fasteners: dict[Identifier, Annotated[int, Field(ge=1, le=1000)]] = Field(default_factory=dict, max_length=50)
    """How many fasteners hold it, by type."""


class Joint(_Model):
    """Where two parts meet: a connector, a screw joint, a thermal interface, an adhesive bond."""

    title: Sentence
    """Name of the joint as the technician knows it."""
    faults: tuple[Identifier, ...] = Field(default=(), max_length=100)
    """Ways in which it can be wrong."""


class FirmwareSerial(_Model):
    """The reading in which the unit's own firmware states its serial number."""

    probe: str = "identity"
    """The probe that reads it."""
    settings: dict[str, Any] = Field(default_factory=dict)
    """What that probe is told."""
    reading: ReadingName = "serial"
    """The reading that holds the serial number."""


class Serial(_Model):
    """How the unit's serial number is known."""

    label: bool = True
    """Whether the technician scans the label at the start; false where a unit carries none."""
    firmware: FirmwareSerial | None = FirmwareSerial()
    """Where the firmware states it; `firmware = false` where it states none."""
    pattern: str | None = Field(default=None, max_length=500)
    """A regular expression that the whole serial number matches."""
    check_digit: Literal["luhn"] | None = None
    """How the last digit follows from the digits before it (luhn: ISO/IEC 7812-1, annex B)."""

    @model_validator(mode="before")
    @classmethod
    def _firmware_false(cls, data: object) -> object:
        # TOML has no null: `firmware = false` says that there is none.
        if isinstance(data, dict) and data.get("firmware") is False:
            return {**data, "firmware": None}
        return data


Command = Annotated[str, StringConstraints(pattern=r"^[ -~]*[!-~][ -~]*$", max_length=200)]
"""One line for a serial console: printable ASCII."""


class Console(_Model):
    """The serial console over which a unit is asked that runs nothing of ours."""

    baud: int = Field(default=9600, ge=50, le=4_000_000)
    """Bits a second."""
    bits: Literal[7, 8] = 8
    """Data bits of a character."""
    parity: Literal["none", "even", "odd"] = "none"
    """Parity bit of a character."""
    stop_bits: Literal[1, 2] = 1
    """Stop bits of a character."""
    flow: Literal["none", "rts-cts", "xon-xoff"] = "none"
    """How either side holds up the other."""
    ending: Literal["cr-lf", "cr", "lf"] = "cr-lf"
    """What ends a command and a reply."""
    echo: bool = False
    """Whether the unit sends each command back before it answers."""
    error: str | None = Field(default=None, max_length=500)
    """A regular expression for the whole line with which the unit refuses a command."""
    wait: Duration = 2.0
    """How long a whole reply may take."""
    safe: tuple[Command, ...] = Field(default=(), max_length=50)
    """Commands that bring the unit to rest: sent when the line is opened and before it is closed."""


class Limit(_Model):
    """What a reading must satisfy, and where that requirement comes from."""

    reading: ReadingName
    """The reading that is held against the limit."""
    at_least: Number | None = None
    """Smallest value that is good; alone or with at_most."""
    at_most: Number | None = None
    """Largest value that is good; alone or with at_least."""
    nominal: Number | None = None
    """The value it should have; goes with tolerance."""
    tolerance: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    """How far from nominal it may be, to either side."""
    equals: bool | int | Number | str | None = None
    """The one value that is good: a count, a number or a text."""
    one_of: tuple[int | Number | str, ...] | None = Field(default=None, min_length=1, max_length=200)
    """The values that are good."""
    matches: str | None = Field(default=None, max_length=500)
    """A regular expression for the whole text."""
    is_: bool | None = Field(default=None, alias="is")
    """The good answer to a yes/no question: true or false."""
    unit: UnitText = ""
    """UCUM text; bench spellings (°C, dBm, Ω) are understood."""
    source: Annotated[str, StringConstraints(max_length=1000)] = ""
    """Where the requirement comes from: maker, standard, study, judgement."""

    @model_validator(mode="after")
    def _forms(self, info: ValidationInfo) -> Limit:
        raise_first(limit_complaints(self), info)
        return self

    @property
    def bounds(self) -> tuple[float | None, float | None]:
        """Lower and upper tolerance limit in `unit`, for the forms that have them."""
        if self.nominal is not None and self.tolerance is not None:
            return self.nominal - self.tolerance, self.nominal + self.tolerance
        return self.at_least, self.at_most

    @property
    def numeric(self) -> bool:
        return self.bounds != (None, None)


class Repeat(_Model):
    """How many times readings are taken and how they pool into one."""

    times: int = Field(ge=2, le=1000)
    """How many times."""
    pool: Literal["mean", "median", "worst"] = "mean"
    """Which one value stands for all: their mean, their median, or the one nearest to or furthest past a limit."""


class Cycles(_Model):
    """Taking a check over a number of cold starts or positions, for faults that come and go."""

    times: int | None = Field(default=None, ge=2, le=500)
    """How many cycles; with positions, one for each unless given."""
    between: Sentence | None = None
    """What the technician does before each further cycle, such as switching the unit off and on."""
    positions: tuple[Sentence, ...] = Field(default=(), max_length=100)
    """How the unit stands or lies in each cycle, asked before it; gone through in turn."""
    stop: Literal["never", "first-fail"] = "never"
    """When the rest of the cycles is left out; first-fail saves time and gives no rate."""

    @model_validator(mode="after")
    def _number(self, info: ValidationInfo) -> Cycles:
        raise_first(cycles_complaints(self), info)
        return self

    @property
    def number(self) -> int:
        """How many cycles make the check."""
        return self.times or len(self.positions)

    @property
    def by_hand(self) -> bool:
        """Whether somebody does something with the unit, so that nothing else can be read meanwhile."""
        return self.between is not None or bool(self.positions)

    def position(self, number: int) -> str:
        """The position of a cycle, counted from 1; empty where the suite names none."""
        return self.positions[(number - 1) % len(self.positions)] if self.positions else ""

    def act(self, number: int, *, first: bool) -> str:
        """What is to be done before a cycle, in one text; empty for nothing. `first`: none came before."""
        words = [self.between] if self.between and not first else []
        if self.positions:
            words.append(f"Position: {self.position(number)}")
        return "\n".join(words)


class Statement(_Model):
    """The author's statement of a reading's uncertainty."""

    reading: ReadingName
    """The reading that the statement is about."""
    u: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None
    """Standard uncertainty (normal)."""
    half_width: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None
    """Half-width of a rectangular distribution."""
    unit: UnitText = ""
    """UCUM text of u or half_width."""
    dof: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    """Degrees of freedom of u; infinitely many unless given."""
    source: Sentence
    """Which data sheet, study or judgement the figure comes from."""
    basis: Literal["specification", "study", "statement"] = "statement"
    """What kind of source that is."""

    @model_validator(mode="after")
    def _one_figure(self, info: ValidationInfo) -> Statement:
        raise_first(statement_complaints(self), info)
        return self


class PromptKind(StrEnum):
    CONFIRM = "confirm"
    CHOICE = "choice"
    NUMBER = "number"
    TEXT = "text"
    SCAN = "scan"
    COUNT = "count"
    TIMED = "timed"
    NOTE = "note"


def _ordered(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] >= pair[1]:
        raise ValueError("a range runs from the smaller to the larger number")
    return pair


class Check(_Model):
    """One line of the checklist."""

    id: Identifier
    """Name of the check in files and on the command line."""
    title: Sentence
    """What the check proves, in the words of the trade."""
    stage: Stage = Stage.CLOSED
    """When it is made: arrival, open, closed or finished."""
    probe: str | None = None
    """The probe that takes the readings; `suite probes` lists them."""
    settings: dict[str, Any] = Field(default_factory=dict)
    """What the probe is told; `suite probes NAME` lists it."""
    prompt: PromptKind | None = None
    """Kind of question or instruction to the technician; the reading is named after it."""
    say: Sentence | None = None
    """The question or instruction as the technician reads it."""
    picture: str | None = Field(default=None, pattern=r"^[a-z0-9][a-z0-9-]*\.svg$")
    """An SVG beside the suite file."""
    options: tuple[Sentence, ...] = Field(default=(), max_length=50)
    """Answers of a choice, in order."""
    range: Annotated[tuple[Number, Number], AfterValidator(_ordered)] | None = None
    """Smallest and largest number that can be meant; others are asked again."""
    unit: UnitText = ""
    """Unit of a number prompt, as UCUM text."""
    duration: Duration | None = None
    """How long a timed action lasts."""
    covers: tuple[Identifier, ...] = Field(default=(), max_length=200)
    """Joints that this check proves."""
    needs: tuple[Identifier, ...] = Field(default=(), max_length=50)
    """Resources that one check at a time may use."""
    after: tuple[Identifier, ...] = Field(default=(), max_length=200)
    """Checks that must have passed before."""
    once_done: tuple[Identifier, ...] = Field(default=(), max_length=200)
    """Checks that must be over before, whatever came out: only the order of work."""
    timeout: Duration | None = None
    """How long the probe may take before it counts as hung."""
    required: bool = True
    """Whether the unit can be released only when this check passes."""
    if_absent: Literal["fail", "not-fitted"] = "fail"
    """What it means when the hardware is not there."""
    instead_of: Identifier | None = None
    """The check that this one stands in for: made only where that one could not be run."""
    seen_from: Literal["unit", "bench"] = "unit"
    """Whose files the probe reads: the unit's, or those of the bench computer at the far end of its cable."""
    repeat: Repeat | None = None
    """How often readings are taken, and how they pool."""
    cycles: Cycles | None = None
    """Over how many cold starts or positions it is taken, each judged by itself."""
    on_fail: Literal["go-on", "quarantine"] = "go-on"
    """What a fail does: quarantine makes everything safe at once, stops all else and holds the unit."""
    uncertainty: tuple[Statement, ...] = Field(default=(), max_length=100)
    """The author's statements of uncertainty, beside what probe and instrument state themselves."""
    compute: dict[ReadingName, Annotated[str, StringConstraints(max_length=500)]] = Field(
        default_factory=dict, max_length=50
    )
    """Readings made from other readings of this check, with + - * / min max abs."""
    second_person: bool = False
    """Asks another person than the technician of the run."""
    limits: tuple[Limit, ...] = Field(default=(), max_length=100)
    """What the readings must satisfy; a check without limits has no verdict."""

    @model_validator(mode="after")
    def _probe_or_prompt(self, info: ValidationInfo) -> Check:
        raise_first(check_complaints(self), info)
        return self

    @property
    def judged(self) -> bool:
        return bool(self.limits)

    @property
    def quarantines(self) -> bool:
        """Whether a fail of this check quarantines the unit."""
        return self.on_fail == "quarantine"

    @property
    def takes(self) -> int:
        """Takes of one cycle, or of the check where it has no cycles."""
        return self.repeat.times if self.repeat else 1

    @property
    def all_takes(self) -> int:
        """How many times it is taken in all where nothing is taken again."""
        return self.takes * (self.cycles.number if self.cycles else 1)


class Rung(_Model):
    """One step of the ladder."""

    check: Identifier
    """The check that is made; its stage is arrival."""
    look: Sentence
    """What to look at where it fails, as it reads after "Look at": "the fuse beside the DC plug"."""


class Ladder(_Model):
    """A few checks for a unit that does not start: made first and alone, so that a dead unit costs minutes."""

    complaint: tuple[Sentence, ...] = Field(min_length=1, max_length=50)
    """Phrases of a repair order's complaint that call for it, such as "does not start"."""
    rungs: tuple[Rung, ...] = Field(min_length=1, max_length=20)
    """Its steps, in order; where one fails, nothing else is made."""


class Suite(_Model):
    """One model's parts, joints, faults, checks and limits."""

    schema_version: Literal[1] = Field(alias="schema")
    """Version of this file format; 1."""
    model: Identifier
    """The model of the units that the suite is for."""
    title: Sentence
    """Title of the suite as reports print it."""
    revision: int = Field(ge=1, le=1_000_000)
    """Counts up with every change of the suite."""
    state: Literal["trial", "approved"] = "trial"
    """trial while it is being written; approved when it may release units."""
    decision: Decision = Decision()
    """How readings are held against limits."""
    serial: Serial = Serial()
    """How the unit's serial number is known."""
    console: Console | None = None
    """The serial console of units that are asked over one (--at serial:PORT)."""
    cautions: tuple[Sentence, ...] = Field(default=(), max_length=50)
    """Cautions of this model, shown before the run and in the report, beside the general ones."""
    parts: dict[Identifier, Part] = Field(default_factory=dict, max_length=300)
    """The model's parts, by name."""
    joints: dict[Identifier, Joint] = Field(default_factory=dict, max_length=1000)
    """The model's joints, by name."""
    ladder: Ladder | None = None
    """What is made first and alone where the complaint is that the unit does not start."""
    checks: tuple[Check, ...] = Field(default=(), max_length=500)
    """The checklist, in the order in which it is read."""

    def check(self, check_id: str) -> Check:
        """The check of that id; KeyError when there is none."""
        for check in self.checks:
            if check.id == check_id:
                return check
        raise KeyError(check_id)
