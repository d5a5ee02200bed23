"""What USB asks of the supply pin (VBUS) of a port, by type: its voltage, and the current that it must give.

4.75 to 5.25 V at a high-power port by USB 2.0 and 3.x; USB Type-C (vSafe5V), and by an engineering change USB 2.0
too, allow 5.5 V. The current is five unit loads of 100 mA in USB 2.0, six of 150 mA in USB 3.x, and in USB Type-C
what the port advertises. The section numbers are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class UsbPort:
    """One type of port."""

    title: str
    current: float
    """Current in A that it must give."""
    source: str
    at_least: float = 4.75
    """Least voltage in V, with and without load."""
    at_most: float = 5.5
    """Greatest voltage in V."""
    turns: bool = False
    """Whether its plug goes in either way up."""


_A2 = "USB 2.0, 7.2.1 and 7.2.2; 5.5 V by the engineering change for Type-C"
_A3 = "USB 3.x, 11.4 (900 mA); USB 2.0, 7.2.2; 5.5 V by the engineering change for Type-C"
_C = "USB Type-C, vSafe5V"

USB_PORTS = {
    "usb2-a": UsbPort(title="USB 2.0, A", current=0.5, source=_A2),
    "usb3-a": UsbPort(title="USB 3.x, A", current=0.9, source=_A3),
    "usb2-c": UsbPort(title="USB Type-C, default of USB 2.0", current=0.5, source=_C, turns=True),
    "usb3-c": UsbPort(title="USB Type-C, default of USB 3.x", current=0.9, source=_C, turns=True),
    "usb-c-1.5a": UsbPort(title="USB Type-C, 1.5 A advertised", current=1.5, source=_C, turns=True),
    "usb-c-3a": UsbPort(title="USB Type-C, 3 A advertised", current=3.0, source=_C, turns=True),
}
"""By the name that suites use."""
VBUS_PROBE = "usb.vbus"
"""The probe that measures it."""
