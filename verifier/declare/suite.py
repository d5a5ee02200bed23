"""The suite file as a model: what a suite author may write, and nothing else.

Shape only; what needs the whole suite or the catalogue of probes is in `lint`.
"""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    StringConstraints,
    model_validator,
)

from verifier.readings import Stage

SCHEMA_VERSION = 1

Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=64, min_length=1)]
"""Lower-case words joined by hyphens, such as antenna-left."""
ReadingName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9]*(_[a-z0-9]+)*$", max_length=64)]
"""Lower-case words joined by underscores, such as chain_0: usable in `compute`."""
Sentence = Annotated[str, StringConstraints(min_length=1, max_length=1000, strip_whitespace=True)]
Number = Annotated[float, Field(allow_inf_nan=False)]

_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*(ms|s|min|h|d)")
_SECONDS = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}


def seconds(text: object) -> float:
    """Seconds of a duration such as "40 s", "10 min" or "2 h"; ValueError when it is not one."""
    match = _DURATION.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is None:
        raise ValueError('a duration is a number and a unit in quotes: "40 s", "10 min", "2 h"')
    value = float(match[1]) * _SECONDS[match[2]]
    if value <= 0:
        raise ValueError("a duration is longer than nothing")
    return value


def duration_text(value: float) -> str:
    """The shortest exact way to write a duration: 90.0 gives "90 s", 600.0 gives "10 min"."""
    for unit in ("d", "h", "min"):
        if value >= _SECONDS[unit] and value % _SECONDS[unit] == 0:
            return f"{value / _SECONDS[unit]:g} {unit}"
    return f"{value:g} s"


Duration = Annotated[
    float,
    BeforeValidator(seconds, json_schema_input_type=str),
    PlainSerializer(duration_text, return_type=str),
]


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
    fit: Fit = Fit.AGAIN
    """Whether the part may be fitted again."""
    reached_through: tuple[Identifier, ...] = ()
    """Parts that have to come out first; theirs count too."""
    joints: tuple[Identifier, ...] = ()
    """Joints that taking this part out disturbs."""


class Joint(_Model):
    """Where two parts meet: a connector, a screw joint, a thermal interface, an adhesive bond."""

    title: Sentence
    faults: tuple[Identifier, ...] = ()
    """Ways in which it can be wrong."""


class FirmwareSerial(_Model):
    """The reading in which the unit's own firmware states its serial number."""

    probe: str = "identity"
    settings: dict[str, Any] = Field(default_factory=dict)
    reading: ReadingName = "serial"


class Serial(_Model):
    """How the unit's serial number is known."""

    label: bool = True
    """Whether the technician scans the label at the start; false where a unit carries none."""
    firmware: FirmwareSerial | None = FirmwareSerial()
    """Where the firmware states it."""
    pattern: str | None = None
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


def _one_form(limit: Limit) -> Limit:
    forms = [
        limit.at_least is not None or limit.at_most is not None,
        limit.nominal is not None or limit.tolerance is not None,
        limit.equals is not None,
        limit.one_of is not None,
        limit.matches is not None,
        limit.is_ is not None,
    ]
    if sum(forms) != 1:
        raise ValueError(
            "a limit has exactly one form: at_least and/or at_most, nominal with tolerance, "
            "equals, one_of, matches, or is"
        )
    if (limit.nominal is None) != (limit.tolerance is None):
        raise ValueError("nominal and tolerance go together")
    if limit.at_least is not None and limit.at_most is not None and limit.at_least > limit.at_most:
        raise ValueError(f"at_least {limit.at_least:g} is above at_most {limit.at_most:g}")
    return limit


class Limit(_Model):
    """What a reading must satisfy, and where that requirement comes from."""

    reading: ReadingName
    at_least: Number | None = None
    at_most: Number | None = None
    nominal: Number | None = None
    tolerance: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    equals: bool | int | float | str | None = None
    one_of: tuple[int | float | str, ...] | None = Field(default=None, min_length=1)
    matches: str | None = Field(default=None, max_length=500)
    """A regular expression for the whole text."""
    is_: bool | None = Field(default=None, alias="is")
    unit: str = ""
    """UCUM text; bench spellings (°C, dBm, Ω) are understood."""
    source: str = ""
    """Where the requirement comes from: maker, standard, study, judgement."""

    @model_validator(mode="after")
    def _forms(self) -> Limit:
        return _one_form(self)

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
    pool: Literal["mean", "median", "worst"] = "mean"


class Statement(_Model):
    """The author's statement of a reading's uncertainty."""

    reading: ReadingName
    u: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None
    """Standard uncertainty (normal)."""
    half_width: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None
    """Half-width of a rectangular distribution."""
    unit: str = ""
    dof: Annotated[float, Field(gt=0)] | None = None
    source: Sentence
    basis: Literal["specification", "study", "statement"] = "statement"

    @model_validator(mode="after")
    def _one_figure(self) -> Statement:
        if (self.u is None) == (self.half_width is None):
            raise ValueError("give either u or half_width")
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
    title: Sentence
    stage: Stage = Stage.CLOSED
    probe: str | None = None
    settings: dict[str, Any] = Field(default_factory=dict)
    """What the probe is told; `suite probes NAME` lists it."""
    prompt: PromptKind | None = None
    say: Sentence | None = None
    """The question or instruction as the technician reads it."""
    picture: str | None = Field(default=None, pattern=r"^[a-z0-9][a-z0-9-]*\.svg$")
    """An SVG beside the suite file."""
    options: tuple[Sentence, ...] = ()
    """Answers of a choice, in order."""
    range: Annotated[tuple[Number, Number], AfterValidator(_ordered)] | None = None
    """Smallest and largest number that can be meant; others are asked again."""
    unit: str = ""
    """Unit of a number prompt."""
    duration: Duration | None = None
    """How long a timed action lasts."""
    covers: tuple[Identifier, ...] = ()
    """Joints that this check proves."""
    needs: tuple[Identifier, ...] = ()
    """Resources that one check at a time may use."""
    after: tuple[Identifier, ...] = ()
    """Checks that must have passed before."""
    timeout: Duration | None = None
    required: bool = True
    if_absent: Literal["fail", "not-fitted"] = "fail"
    """What it means when the hardware is not there."""
    repeat: Repeat | None = None
    uncertainty: tuple[Statement, ...] = ()
    compute: dict[ReadingName, str] = Field(default_factory=dict)
    """Readings made from other readings of this check, with + - * / min max abs."""
    second_person: bool = False
    """Asks another person than the technician of the run."""
    limits: tuple[Limit, ...] = ()

    @model_validator(mode="after")
    def _probe_or_prompt(self) -> Check:
        if (self.probe is None) == (self.prompt is None):
            raise ValueError("a check has either a probe or a prompt")
        if self.probe is not None:
            wrong = [
                key
                for key, given in (
                    ("say", self.say),
                    ("options", self.options),
                    ("range", self.range),
                    ("duration", self.duration),
                    ("unit", self.unit),
                    ("second_person", self.second_person),
                )
                if given
            ]
            if wrong:
                raise ValueError(f"{', '.join(wrong)} belong to a prompt, and this check has a probe")
            return self
        if self.say is None:
            raise ValueError("a prompt needs say: the words the technician reads")
        if self.settings:
            raise ValueError("settings belong to a probe, and this check has a prompt")
        if (self.prompt is PromptKind.CHOICE) != bool(self.options):
            raise ValueError("options belong to a choice, and a choice needs them")
        if (self.prompt is PromptKind.TIMED) != (self.duration is not None):
            raise ValueError("duration belongs to a timed prompt, and a timed prompt needs one")
        if self.prompt is PromptKind.NOTE and self.limits:
            raise ValueError("a note is never judged; use text, choice or confirm")
        if self.range is not None and self.prompt not in (PromptKind.NUMBER, PromptKind.COUNT):
            raise ValueError("range belongs to a number or a count")
        if (self.prompt is PromptKind.NUMBER) != bool(self.unit):
            raise ValueError('unit belongs to a number, and a number needs one ("1" for a plain number)')
        return self

    @property
    def judged(self) -> bool:
        return bool(self.limits)


class Suite(_Model):
    """One model's parts, joints, faults, checks and limits."""

    schema_version: Literal[1] = Field(alias="schema")
    model: Identifier
    title: Sentence
    revision: int = Field(ge=1)
    state: Literal["trial", "approved"] = "trial"
    decision: Decision = Decision()
    serial: Serial = Serial()
    cautions: tuple[Sentence, ...] = ()
    """Cautions of this model, shown before the run and in the report, beside the general ones."""
    parts: dict[Identifier, Part] = Field(default_factory=dict)
    joints: dict[Identifier, Joint] = Field(default_factory=dict)
    checks: tuple[Check, ...] = ()

    def check(self, check_id: str) -> Check:
        """The check of that id; KeyError when there is none."""
        return next((c for c in self.checks if c.id == check_id), None) or _missing(check_id)


def _missing(check_id: str) -> Check:
    raise KeyError(check_id)
