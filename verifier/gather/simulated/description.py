"""What a simulated unit is made of: a small TOML file, and the model that it fills.

    schema = 1
    model = "marrowby-quayside"
    title = "Quayside counter terminal, healthy"

    [identity]                  # DMI fields by the kernel's own file names
    product_serial = "QS-2004174"

    [thermal]                   # left out where the unit has no sensor
    power = 2.5

    [[ethernet]]
    interface = "eth0"

    [[lines]]                   # serial lines, each with a console at the far end
    name = "ttyS1"
    [lines.replies]
    "ID?" = "MARROWBY,STUB-80,TP-20417,1.2"

The file that ships, `units/marrowby-quayside.toml`, has every key.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from verifier.declare.model_file import load_model
from verifier.declare.notes import Notes

UNITS = Path(__file__).parent / "units"
SHIPPED = UNITS / "marrowby-quayside.toml"

Word = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+$")]
Positive = Annotated[float, Field(ge=1e-6, le=1e9, allow_inf_nan=False)]
AtLeastZero = Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Identity(_Model):
    """Fields of /sys/class/dmi/id, by their file names (Linux drivers/firmware/dmi-id.c)."""

    product_serial: Word | None = None
    sys_vendor: Word | None = None
    product_name: Word | None = None
    product_version: Word | None = None
    product_family: Word | None = None
    product_sku: Word | None = None
    board_name: Word | None = None
    board_version: Word | None = None
    board_serial: Word | None = None
    bios_version: Word | None = None
    bios_date: Word | None = None


class System(_Model):
    """What the unit's own Linux says of itself."""

    name: Word = "Linux"
    kernel: Word = "6.1.0"
    machine: Word = "x86_64"
    crystal_ppm: Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)] = 0.0
    """By how much its clock gains, in millionths."""


class Thermal(_Model):
    """A ladder of two nodes with one sensor on the inner one. Resistances in K/W, capacities in J/K."""

    sensor: Word = "x86_pkg_temp"
    """Type of the thermal zone."""
    ambient: Annotated[float, Field(ge=-100, le=200, allow_inf_nan=False)] = 23.0
    """Temperature of the air, in Cel."""
    power: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] = 2.5
    """Heat of the processor at rest, in W."""
    on_for: AtLeastZero = 7200.0
    """Seconds that the unit has been on when the run begins."""
    block_capacity: Positive = 19.2
    """Processor and heat block."""
    sheet_resistance: Positive = 0.35
    """Heat sheet between processor and block."""
    block_resistance: Positive = 0.90
    """Block to shell."""
    shell_capacity: Positive = 217.0
    shell_resistance: Positive = 2.70
    """Shell to air."""
    spread: AtLeastZero = 0.0
    """Standard deviation of shell_resistance from unit to unit; the seed says which unit this is."""
    noise: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = 0.0
    """Standard deviation of the sensor's noise, in K."""
    step: Annotated[float, Field(ge=0.001, le=10, allow_inf_nan=False)] = 1.0
    """Step of the sensor, in K."""


class Ethernet(_Model):
    """A wired port as the kernel shows it under /sys/class/net."""

    # 15 characters: IFNAMSIZ less its zero byte.
    interface: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-][A-Za-z0-9._-]{0,14}$")]
    address: Annotated[str, StringConstraints(pattern=r"^([0-9a-f]{2}:){5}[0-9a-f]{2}$")] = "02:00:00:00:00:01"
    enabled: bool = True
    link: bool = True
    speed: Annotated[int, Field(ge=10, le=400_000)] = 1000
    """Mbit/s."""
    duplex: Literal["half", "full"] = "full"
    frames_per_second: Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)] = 0.0
    """Frames received, and as many sent."""
    errors_per_hour: AtLeastZero = 0.0
    """Frames received with an error, spread evenly."""


class Line(_Model):
    """A serial line with a console at its far end: it answers a line that ends in CR, LF or both."""

    name: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,31}$")]
    """`simulated://NAME` opens it."""
    title: Word = "console"
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    """8 data bits, no parity, one stop bit: ten bits a character."""
    delay: Annotated[float, Field(ge=0, le=3600, allow_inf_nan=False)] = 0.01
    """Seconds from the end of a command to the first character of its answer."""
    replies: Annotated[dict[Word, Word], Field(max_length=200)] = Field(default_factory=dict)
    """Answers by command. {serial} is the unit's serial number, {time} its clock as YYYY-MM-DD hh:mm:ss."""
    unknown: Word = "ERR 1 unknown command"
    """The answer to anything else."""


class Description(_Model):
    """A simulated unit."""

    schema_version: Literal[1] = Field(alias="schema")
    model: Word
    title: Word
    identity: Identity = Identity()
    system: System = System()
    thermal: Thermal | None = None
    ethernet: Annotated[tuple[Ethernet, ...], Field(max_length=16)] = ()
    lines: Annotated[tuple[Line, ...], Field(max_length=16)] = ()

    model_config = ConfigDict(
        extra="forbid", frozen=True, use_attribute_docstrings=True, populate_by_name=True, serialize_by_alias=True
    )

    def to_json(self) -> dict[str, Any]:
        """What has to be kept to make the same unit again."""
        return self.model_dump(mode="json", exclude_none=True)


def load_description(path: Path = SHIPPED) -> Description:
    """The description in a file. InputError where it cannot be read, InputProblems with all that is wrong."""
    return load_model(path, Description, rules=_rules)


def _rules(notes: Notes, unit: Description) -> None:
    for key, names in (
        ("ethernet", [port.interface for port in unit.ethernet]),
        ("lines", [line.name for line in unit.lines]),
    ):
        for number, name in enumerate(names):
            if name in names[:number]:
                what = f"there is already one called {name}"
                field = "interface" if key == "ethernet" else "name"
                notes.error((key, number, field), what, "Give each its own name.")
