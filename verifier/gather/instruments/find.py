"""The serial ports that exist on this computer."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

BY_ID = Path("/dev/serial/by-id")


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    path: str
    """The name that stays the same when adapters are plugged in another order, where there is one."""
    device: str
    what: str
    """What the adapter says of itself."""
    usable: bool
    """Whether this user may open it."""


def find_ports() -> list[Port]:
    """Ports that pyserial lists, by their lasting name where there is one, sorted."""
    from serial.tools.list_ports import comports

    lasting = {}
    if BY_ID.is_dir():
        lasting = {os.path.realpath(link): str(link) for link in BY_ID.iterdir()}
    found = []
    for port in comports():
        words = " ".join(w for w in (port.manufacturer, port.product, port.serial_number) if w)
        shown = "".join(c if c.isprintable() else " " for c in words or port.description or "")[:100]
        found.append(
            Port(
                path=lasting.get(os.path.realpath(port.device), port.device),
                device=port.device,
                what="" if shown == "n/a" else shown,
                usable=os.access(port.device, os.R_OK | os.W_OK),
            )
        )
    return sorted(found, key=lambda p: p.path)
