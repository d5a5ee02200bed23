"""From the text after `--at` to a host."""

from __future__ import annotations

from pathlib import Path

from verifier.errors import InputError
from verifier.gather.hosts.access import Access
from verifier.readings import Simulation
from verifier.services import Clocks, Host

FORMS = {
    "local": "this computer",
    "recorded:DIR": "the recorded tree in the folder DIR",
    "ssh://USER@HOST[:PORT]": "a unit that runs its own Linux",
    "serial:PORT": "a unit behind a serial console, which the suite describes",
    "none": "a unit that runs nothing of ours: seen from outside only",
    "simulated": "a simulated unit, in simulated time",
    "simulated:FILE": "the one that FILE describes",
}
"""Forms of an address, with what each means."""


def lasting(address: str) -> str:
    """The address as it still holds when the run is resumed in another folder."""
    kind, colon, path = address.partition(":")
    return f"{kind}:{Path(path).absolute()}" if colon and kind in ("recorded", "simulated") else address


def open_host(
    address: str, clocks: Clocks, simulation: Simulation | None = None, access: Access | None = None
) -> Host:
    """The host at `address`; InputError when the address is of no known form or names nothing that is there.

    A run that simulates passes `simulation`, so that it meets the same unit after a resume. `access` is what the
    station brings to reach a unit over SSH or a serial line; such a host is `Reaching`: started, then closed.
    """
    access = access or Access()
    kind, colon, rest = address.partition(":")
    if address == "local":
        from verifier.gather.hosts.local import LocalHost

        return LocalHost(clocks)
    if kind == "recorded" and colon and rest:
        from verifier.gather.hosts.recorded import RecordedHost

        return RecordedHost(rest, clocks)
    if address == "none":
        from verifier.gather.hosts.nothing import NoHost

        return NoHost(clocks)
    if kind == "serial" and rest:
        from verifier.gather.hosts.console import ConsoleHost

        return ConsoleHost(rest, access.console, clocks)
    if kind == "ssh" and rest:
        from verifier.gather.hosts.ssh import SshHost

        return SshHost(address, access.keys, clocks)
    if kind == "simulated":
        from verifier.gather.simulated import simulated_host, simulation_at

        return simulated_host(simulation or simulation_at(address, seed=0), clocks, access.console)
    forms = "; ".join(f"{form} ({meaning})" for form, meaning in FORMS.items())
    raise InputError(
        f"{address[:200]!r} is no host that probes can read", where="--at", to_do=f"Give one of: {forms}."
    )
