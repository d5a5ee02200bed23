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

`parts.py` has every key; `suites/marrowby-quayside/unit.toml` nearly all of them in use.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from verifier.declare.fasteners import fastener_types
from verifier.declare.model_file import load_model
from verifier.declare.notes import Notes
from verifier.declare.suite import Suite
from verifier.gather.instruments.loading import with_kind
from verifier.gather.simulated.parts import (
    Backlight,
    Battery,
    Bench,
    Button,
    Camera,
    Case,
    Cell,
    Clock,
    Display,
    Dock,
    Ethernet,
    Identity,
    Input,
    Keys,
    Lamp,
    Line,
    Motion,
    Name,
    Part,
    Radio,
    Relay,
    Seen,
    Sound,
    Storage,
    Supply,
    System,
    Thermal,
    Touch,
    Usb,
    Word,
)
from verifier.shipped import UNIT_FILE, shipped_beside_suites


def shipped_unit(model: str) -> Path | None:
    """The description that ships for a model, in the folder of its suite; None where there is none."""
    return shipped_beside_suites(UNIT_FILE).get(model)


class Description(Part):
    """A simulated unit."""

    schema_version: Literal[1] = Field(alias="schema")
    model: Word
    title: Word
    identity: Identity = Identity()
    system: System = System()
    thermal: Thermal | None = None
    clock: Clock = Clock()
    cell: Cell | None = None
    storage: Annotated[dict[Name, Storage], Field(max_length=8)] = Field(default_factory=dict)
    usb: Annotated[dict[Name, Usb], Field(max_length=32)] = Field(default_factory=dict)
    radio: Radio | None = None
    button: Button | None = None
    displays: Annotated[dict[Name, Display], Field(max_length=8)] = Field(default_factory=dict)
    sound: Sound | None = None
    supply: Supply | None = None
    ethernet: Annotated[tuple[Ethernet, ...], Field(max_length=16)] = ()
    lines: Annotated[tuple[Line, ...], Field(max_length=16)] = ()
    relays: Annotated[dict[Name, Relay], Field(max_length=64)] = Field(default_factory=dict)
    inputs: Annotated[dict[Name, Input], Field(max_length=64)] = Field(default_factory=dict)
    lamp: Lamp | None = None
    fasteners: Annotated[dict[Name, Annotated[int, Field(ge=0, le=1000)]], Field(max_length=50)] = Field(
        default_factory=dict
    )
    """Fasteners of each type that were taken out and are nowhere to be found."""
    battery: Battery | None = None
    touch: Touch | None = None
    keys: Keys | None = None
    motion: Motion | None = None
    cameras: Annotated[dict[Name, Camera], Field(max_length=8)] = Field(default_factory=dict)
    backlight: Backlight | None = None
    dock: Dock | None = None
    case: Case | None = None
    bench: Annotated[dict[Name, Bench], Field(max_length=20)] = Field(default_factory=dict)
    """The instruments beside it, by the names that suites call them."""
    seen: Annotated[dict[Name, Seen], Field(max_length=500)] = Field(default_factory=dict)
    """What the scripted technician finds, by check."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, use_attribute_docstrings=True, populate_by_name=True, serialize_by_alias=True
    )

    def to_json(self) -> dict[str, Any]:
        """What has to be kept to make the same unit again."""
        return self.model_dump(mode="json", exclude_none=True)


def load_description(path: Path, suite: Suite | None = None) -> Description:
    """The description in a file. InputError where it cannot be read, InputProblems with all that is wrong.

    With the `suite` that it goes with, what the scripted technician finds has to be asked there.
    """

    def rules(notes: Notes, unit: Description) -> None:
        _rules(notes, unit)
        if suite is not None:
            _with_suite(notes, unit, suite)

    return load_model(path, Description, rules=rules, prepare=_with_kinds)


def _with_kinds(data: dict[str, Any]) -> dict[str, Any]:
    """The instruments of the bench, each laid over its kind, as those of a station are."""
    bench = data.get("bench")
    if not isinstance(bench, dict):
        return data
    described = {}
    for name, place in bench.items():
        here = place.get("instrument") if isinstance(place, dict) else None
        whole = (
            {**place, "instrument": with_kind({"port": "simulated", **here})} if isinstance(here, dict) else place
        )
        described[name] = whole
    return {**data, "bench": described}


def _with_suite(notes: Notes, unit: Description, suite: Suite) -> None:
    if unit.model != suite.model:
        notes.error(("model",), f"the suite is for {suite.model}", "Name the suite's model.")
    for name in unit.seen:
        if name not in (checks := [check.id for check in suite.checks]):
            notes.error(("seen", name), "the suite has no such check", notes.hint(name, checks))
    for kind in unit.fasteners:
        if kind not in (known := fastener_types(suite)):
            notes.error(("fasteners", kind), "the suite has no such fasteners", notes.hint(kind, known))


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
    for check, seen in unit.seen.items():
        if seen.value is not None and seen.reads is not None:
            notes.error(("seen", check, "reads"), "there is a value too", "Keep one of them.")
    for name, relay in unit.relays.items():
        for wanted in relay.drives:
            if wanted not in unit.inputs:
                notes.error(("relays", name, "drives", wanted), f"there is no input {wanted}", "Describe it.")
