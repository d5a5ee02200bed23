"""Limits on the supply of a USB port: no wider than what the standard allows for the port that the suite names."""

from __future__ import annotations

import math

from verifier.declare import units
from verifier.declare.notes import Notes
from verifier.declare.suite import Check, Suite
from verifier.declare.usb_ports import USB_PORTS, VBUS_PROBE, UsbPort

_SLACK = 1e-9
"""Volts: what converting between units may add."""


def lint_usb_ports(notes: Notes, suite: Suite) -> None:
    for number, check in enumerate(suite.checks):
        if check.probe != VBUS_PROBE:
            continue
        kind = check.settings.get("port")
        port = USB_PORTS.get(kind) if isinstance(kind, str) else None
        if port is None:
            continue  # told with the settings
        current = check.settings.get("current")
        if isinstance(current, int | float) and 0 < current < port.current - _SLACK:
            what = f"{current:g} A is less than the {port.current:g} A that a port {kind} must give"
            notes.warning(
                ("checks", number, "settings", "current"), what, "Draw what it must give, or leave it out."
            )
        _limits(notes, check, number, str(kind), port)


def _limits(notes: Notes, check: Check, number: int, kind: str, port: UsbPort) -> None:
    """All limits on one voltage together leave a span; it is told at the first of them."""
    spans: dict[str, tuple[int, float, float]] = {}
    for place, limit in enumerate(check.limits):
        if not limit.reading.startswith(("unloaded", "loaded")) or not limit.numeric:
            continue
        try:
            low, high = (None if x is None else units.convert(x, limit.unit or "V", "V") for x in limit.bounds)
        except ValueError:
            return  # told with the limit
        first, lowest, highest = spans.get(limit.reading, (place, -math.inf, math.inf))
        spans[limit.reading] = (
            first,
            lowest if low is None else max(lowest, low),
            highest if high is None else min(highest, high),
        )
    for reading, (place, low, high) in spans.items():
        if low < port.at_least - _SLACK or high > port.at_most + _SLACK:
            what = (
                f"the limit on {reading} is wider than the standard: a port {kind} has {port.at_least:g} V to "
                f"{port.at_most:g} V ({port.source})"
            )
            notes.warning(
                ("checks", number, "limits", place), what, "Give at_least and at_most within it.", at_key=True
            )
