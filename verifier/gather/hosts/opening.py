"""From the text after `--at` to a host."""

from __future__ import annotations

from verifier.errors import InputError
from verifier.readings import Clocks, Host

FORMS = {
    "local": "this computer",
    "recorded:DIR": "the recorded tree in the folder DIR",
}
"""Forms of an address, with what each means."""


def open_host(address: str, clocks: Clocks) -> Host:
    """The host at `address`; InputError when the address is of no known form or names no folder."""
    kind, colon, rest = address.partition(":")
    if address == "local":
        from verifier.gather.hosts.local import LocalHost

        return LocalHost(clocks)
    if kind == "recorded" and colon and rest:
        from verifier.gather.hosts.recorded import RecordedHost

        return RecordedHost(rest, clocks)
    forms = "; ".join(f"{form} ({meaning})" for form, meaning in FORMS.items())
    raise InputError(
        f"{address[:200]!r} is no host that probes can read", where="--at", to_do=f"Give one of: {forms}."
    )
