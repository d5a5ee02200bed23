"""The repair order: what was wrong, what was replaced, by whom, after which document."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints

from verifier.declare.suite import Identifier, Sentence

Label = Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=True)]
"""A short text from a label or a form."""
Count = Annotated[int, Field(ge=0, le=100_000)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Replaced(_Model):
    """A part that was replaced."""

    part: Identifier
    old_number: Label | None = None
    """Part number of the one taken out."""
    number: Label | None = None
    """Part number of the one fitted."""
    serial: Label | None = None
    lot: Label | None = None
    expiry: date | None = None


class Consumable(_Model):
    """Something used up: paste, adhesive, cleaner."""

    name: Label
    lot: Label | None = None
    opened: date | None = None
    applied: AwareDatetime | None = None
    """When it went on, with its offset from UTC: what has to cure cures from then on."""
    expiry: date | None = None


class Fasteners(_Model):
    """What happened to the fasteners of one type: removed + issued = fitted + discarded + left."""

    removed: Count = 0
    issued: Count = 0
    fitted: Count = 0
    discarded: Count = 0
    left: Count = 0


class RepairOrder(_Model):
    """The repair order as the depot hands it over."""

    ticket: Label | None = None
    complaint: Sentence | None = None
    model: Identifier | None = None
    serial: Label | None = None
    technician: Label | None = None
    document: Label | None = None
    """Service document and revision that was followed."""
    replaced: tuple[Replaced, ...] = ()
    consumables: tuple[Consumable, ...] = ()
    fasteners: dict[Identifier, Fasteners] = Field(default_factory=dict)
