"""What an instrument is: the model of a file in the station's `instruments/` folder, and of the shipped kinds."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from verifier.declare.suite import Identifier
from verifier.gather.instruments.replies import SCPI_IDN

Message = Annotated[str, StringConstraints(max_length=200, pattern=r"^[ -~]*$")]
"""Printable ASCII without its terminator; {value} or {channel} stand for what is put in."""
Words = Annotated[str, StringConstraints(min_length=1, max_length=300, strip_whitespace=True)]
Ending = Literal["LF", "CR", "CR LF"]
Positive = Annotated[float, Field(gt=0, lt=1e12, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, lt=1e12, allow_inf_nan=False)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Line(_Model):
    """Settings of the serial line."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop: Literal[1, 2] = 1
    flow: Literal["none", "rts-cts", "xon-xoff"] = "none"
    sends: Ending = "LF"
    """What ends a program message."""
    ends: Ending = "LF"
    """What ends a reply."""
    timeout: Annotated[float, Field(gt=0, le=60)] = 2.0
    """Seconds until a whole reply must be there."""
    pause: Annotated[float, Field(ge=0, le=10)] = 0.0
    """Seconds to wait after each message that gets no reply."""
    echo: bool = False
    """Whether the instrument sends back every message before it answers."""


class Identity(_Model):
    """How an instrument says which one it is."""

    ask: Message = "*IDN?"
    reply: Message = SCPI_IDN
    """With {serial}, and where it says it {model}; {any} stands for anything."""


class Accuracy(_Model):
    """Accuracy specification of one range, from the data sheet: the half-width is the sum of its terms."""

    full_scale: Positive | None = None
    """The range, in the unit of the quantity; needed with of_range and where there are several."""
    of_reading: Annotated[float, Field(ge=0, le=100)] = 0.0
    """Percent of the reading."""
    of_range: Annotated[float, Field(ge=0, le=100)] = 0.0
    """Percent of the range."""
    counts: NotNegative = 0.0
    """Steps of the last digit."""
    absolute: NotNegative = 0.0
    """In the unit of the quantity; of a temperature in K."""
    resolution: Positive
    """Step of the last digit, in the unit of the quantity."""
    shape: Literal["rectangular", "normal"] = "rectangular"
    """Rectangular: firm bounds, as of a data sheet that says no more (JCGM 100, 4.3.7)."""
    coverage_factor: Positive = 2.0
    """With shape normal: how many standard uncertainties the half-width stands for (JCGM 100, 4.3.3)."""


class Quantity(_Model):
    """Something that the instrument measures."""

    unit: Literal["V", "A", "Ohm", "W", "Cel", "Hz", "Pa", "s"]
    ask: Message = ""
    """The question; empty where the instrument prints by itself."""
    reply: Message = "{value}"
    """{value} is the number, {any} anything, all else stands as it is."""
    ask_in_range: Message = ""
    """The question in a range of its own, which stands for {value}; empty where it cannot be told."""
    ranges: Annotated[tuple[Accuracy, ...], Field(max_length=30)] = ()
    """Accuracy from the data sheet of *this* instrument, one entry a range. Without it nothing is read."""


class Setting(_Model):
    """Something that can be set, and read back."""

    unit: Literal["V", "A", "W", "Cel"]
    set: Message
    ask: Message
    reply: Message = "{value}"
    resolution: Positive = 0.001
    """How far the value read back may be from the one set."""


class Output(_Model):
    """Switches what the instrument supplies or draws."""

    on: Message
    off: Message
    ask: Message
    is_on: Message = "1"
    is_off: Message = "0"


class Trip(_Model):
    """A trip of the instrument itself; set, and read back, before its output goes on."""

    of: Identifier
    """The setting that it watches."""
    set: Message
    ask: Message
    reply: Message = "{value}"
    headroom: Annotated[float, Field(ge=0, le=100)] = 10.0
    """Percent above the setting, never above the station's ceiling."""
    resolution: Positive = 0.01


class Channels(_Model):
    """Contacts that can be closed one at a time."""

    close: Message
    open: Message
    count: Annotated[int, Field(ge=1, le=64)]


class Safe(_Model):
    """The safe state: nothing supplied, drawn, heated or switched through."""

    messages: Annotated[tuple[Message, ...], Field(min_length=1, max_length=10)]
    ask: Message
    """Asks whether it is so."""
    is_safe: Message
    """The reply when it is."""


class Override(_Model):
    """The quality lead's leave to use an instrument past its due date."""

    who: Words
    why: Words
    until: date


class Instrument(_Model):
    """One instrument of this station. The file's name is what suites call it."""

    kind: Identifier | None = None
    """A shipped description to start from: `verifier station instruments kinds`."""
    title: Words = "Instrument"
    port: Annotated[str, StringConstraints(max_length=300, pattern=r"^[ -~]*$")] = ""
    """/dev/... (best one of /dev/serial/by-id/), socket://ADDRESS:PORT, or loop:// for trials."""
    line: Line = Line()
    identity: Identity | None = None
    serial: Annotated[str, StringConstraints(max_length=72, pattern=r"^[ -~]*$")] = ""
    """The serial number that it must answer with."""
    model: Annotated[str, StringConstraints(max_length=72, pattern=r"^[ -~]*$")] = ""
    """The model that it must answer with, where its identity has one."""
    clear: Message = ""
    """Sent when the port is opened and after an exchange that went wrong."""
    errors: Message = ""
    """Asks the error queue after each message, until it is empty; SCPI: SYST:ERR?"""
    acknowledge: Message = ""
    """What it answers to each message that is no question; empty where it answers nothing."""
    overload: tuple[Message, ...] = ()
    """Texts in place of a number that mean "beyond the range"."""
    quantities: dict[Identifier, Quantity] = Field(default_factory=dict, max_length=40)
    sets: dict[Identifier, Setting] = Field(default_factory=dict, max_length=20)
    output: Output | None = None
    trips: dict[Identifier, Trip] = Field(default_factory=dict, max_length=20)
    no_trips: Words | None = None
    """Why it has no trips of its own."""
    channels: Channels | None = None
    safe: Safe | None = None
    ceilings: dict[Identifier, Positive] = Field(default_factory=dict, max_length=20)
    """The most that any suite may set at this station, by setting."""
    calibrated: date | None = None
    due: date | None = None
    """When its calibration runs out."""
    certificate: Words | None = None
    override: Override | None = None

    @property
    def energises(self) -> bool:
        """Whether it can supply, load, heat or switch anything."""
        return self.output is not None or self.channels is not None or bool(self.sets)
