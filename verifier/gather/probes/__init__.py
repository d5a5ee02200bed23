"""The built-in probes, one module a subject. Registered through the same hook as anybody's."""

from __future__ import annotations

from collections.abc import Iterable

from verifier.hookspecs import hookimpl
from verifier.readings import Probe


@hookimpl
def verifier_probes() -> Iterable[Probe]:
    from verifier.gather.probes import ethernet, identity, order, thermal, usb

    return (
        identity.Identity(),
        order.Fasteners(),
        thermal.Sensors(),
        ethernet.Link(),
        usb.Device(),
        usb.Devices(),
    )
