"""The built-in probes, one module a subject. Registered through the same hook as anybody's."""

from __future__ import annotations

from collections.abc import Iterable

from verifier.hookspecs import hookimpl
from verifier.services import Probe


@hookimpl
def verifier_probes() -> Iterable[Probe]:
    from verifier.gather.probes import (
        bluetooth,
        button_presses,
        buttons,
        clock,
        computing,
        console,
        datagrams,
        display,
        display_plug,
        ethernet,
        far_end,
        firmware,
        identity,
        instruments,
        network_time,
        order,
        power,
        reach,
        serial_loop,
        sound,
        storage,
        storage_health,
        thermal,
        throughput,
        touch,
        usb,
        usb_data,
        usb_plug,
        wifi,
        wiggle,
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
        far_end.PeerTime(),
        ethernet.Link(),
        wiggle.Wiggle(),
        far_end.FarLink(),
        far_end.AddressRequests(),
        throughput.Throughput(),
        datagrams.Loss(),
        datagrams.RoundTrip(),
        serial_loop.Loop(),
        wifi.Signal(),
        bluetooth.Adapter(),
        reach.Reach(),
        usb.Device(),
        usb.Devices(),
        usb_plug.Plug(),
        usb_data.Data(),
        display.Connector(),
        display_plug.Plug(),
        sound.Card(),
        sound.Jack(),
        buttons.PowerButton(),
        button_presses.Presses(),
        touch.TouchGrid(),
        console.Query(),
        console.Command(),
        console.Time(),
        *instruments.probes(),
        order.Fasteners(),
    )
