"""Every plug-in point, one sentence each. Built-in features register through the same hooks.

A package adds to `verifier` by an entry point in the group `verifier` that names a module with
functions marked `@hookimpl`.
"""

from __future__ import annotations

from collections.abc import Iterable

import pluggy

from verifier.steps import Probe

hookspec = pluggy.HookspecMarker("verifier")
hookimpl = pluggy.HookimplMarker("verifier")


@hookspec
def verifier_probes() -> Iterable[Probe]:  # type: ignore[empty-body]
    """Probes that suites may name; two of the same name are refused."""
