"""What instrument probes need of a host, which no machine has, only the bench; and what their settings name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from verifier.readings import ProbeDeclaration

INSTRUMENTS = "instruments"
"""The service of probes that read the bench's instruments, whatever the host of the run."""
ENERGISE = "energise"
"""The service of probes that switch something on."""
NAMING = ("instrument", "meter", "relay", "thermometer")
"""Settings of the probes that name an instrument."""


def instruments_of(settings: Mapping[str, Any]) -> list[str]:
    """The instruments that a check's settings name."""
    return [v for key in NAMING if isinstance(v := settings.get(key), str) and v]


def energises(declaration: ProbeDeclaration, settings: Mapping[str, Any]) -> bool:
    """Whether a check may switch something on."""
    return ENERGISE in declaration.services or bool(settings.get("relay"))
