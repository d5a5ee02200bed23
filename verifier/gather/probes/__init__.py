"""The built-in probes, one module a subject. Registered through the same hook as anybody's."""

from __future__ import annotations

from collections.abc import Iterable

from verifier.hookspecs import hookimpl
from verifier.readings import Probe


@hookimpl
def verifier_probes() -> Iterable[Probe]:
    from verifier.gather.probes import (
        bluetooth,
        buttons,
        clock,
        computing,
        console,
        display,
        ethernet,
        firmware,
        identity,
        network_time,
        order,
        power,
        reach,
        sound,
        storage,
        storage_health,
        thermal,
        usb,
        wifi,
    )

    return (
        identity.Identity(),
        firmware.Level(),
        computing.Cores(),
        computing.Memory(),
        storage.Device(),
        storage_health.Health(),
        thermal.Sensors(),
        power.Battery(),
        power.Supply(),
        clock.RealTimeClock(),
        clock.RealTimeClockBattery(),
        network_time.NetworkTime(),
        ethernet.Link(),
        wifi.Signal(),
        bluetooth.Adapter(),
        reach.Reach(),
        usb.Device(),
        usb.Devices(),
        display.Connector(),
        sound.Card(),
        sound.Jack(),
        buttons.PowerButton(),
        console.Query(),
        console.Command(),
        console.Time(),
        order.Fasteners(),
    )
