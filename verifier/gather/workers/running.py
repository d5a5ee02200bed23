"""One take of one probe on one host, with everything it can meet turned into the three words for it."""

from __future__ import annotations

import dataclasses
from collections.abc import AsyncGenerator, Mapping
from contextlib import aclosing
from typing import Any

from verifier.errors import Absent, BenchFault, InputError, NotPossible, VerifierError
from verifier.gather.workers.expected import Expected
from verifier.readings import ProbeDeclaration, SoFar
from verifier.services import Host
from verifier.steps import Probe, Resuming, Step

INSTEAD_OVER_SSH = (
    "For the suite's author: network.over_ssh says what a port carries at the least, and ethernet.link with "
    'seen_from = "bench" sees the link at the other end of the cable.'
)
"""What stands in where a probe of the network cannot run in the unit."""


def settings_of(declaration: ProbeDeclaration, given: Mapping[str, Any]) -> Any:
    """The probe's settings as its own dataclass; InputError for one it does not take, lacks or refuses."""
    fields = {f.name: f for f in dataclasses.fields(declaration.settings) if f.init}
    where = f"settings of {declaration.name}"
    if unknown := sorted(set(given) - set(fields)):
        takes = ", ".join(fields) or "none"
        raise InputError(f"there is no setting {unknown[0][:100]!r}", where=where, to_do=f"It takes {takes}.")
    missing = [
        name
        for name, f in fields.items()
        if name not in given and f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
    ]
    if missing:
        raise InputError(f"the setting {missing[0]} is missing", where=where, to_do="Add it to the check.")
    try:
        return declaration.settings(**given)
    except (TypeError, ValueError) as error:
        raise InputError(str(error)[:500], where=where, to_do="Mend the check's settings.") from None


async def run_probe(
    probe: Probe, host: Host, settings: Mapping[str, Any], so_far: SoFar | None = None
) -> AsyncGenerator[Step]:
    """What a probe yields one by one, each held against the declaration. With `so_far` it goes on after a pause.

    Raises Absent, NotPossible or BenchFault and nothing else. Workers use it; so does whoever runs a
    probe in the process itself, behind a simulated host.
    """
    declaration = probe.declaration
    missing = [service for service in declaration.services if service not in host.services]
    if missing:
        if host.address == "none":
            raise NotPossible(
                f"the unit runs nothing of ours (--at none), so {declaration.name} cannot be read in it"
            )
        kind = host.address.partition(":")[0]
        if kind == "ssh" and "net" in missing:
            raise NotPossible(
                f"{declaration.name} cannot be read over ssh: it runs in the unit, and there is only a shell",
                to_do=INSTEAD_OVER_SSH,
            )
        raise NotPossible(f"{declaration.name} cannot be read over {kind}: it needs {', '.join(missing)}")
    expected = Expected(declaration.with_settings(settings), so_far)
    try:
        async with aclosing(_generator(probe, host, settings_of(declaration, settings), so_far)) as steps:
            async for step in steps:
                yield expected.accept(step)
    except (Absent, NotPossible, BenchFault):
        raise
    except VerifierError as error:
        raise BenchFault(f"the probe {declaration.name} could not run: {error.what}", to_do=error.to_do) from error
    except PermissionError as error:
        needs = f" It needs {'; '.join(declaration.privileges)}." if declaration.privileges else ""
        raise NotPossible(f"{error.filename or declaration.name} may not be read here.{needs}") from error
    except OSError as error:
        raise BenchFault(
            f"the probe {declaration.name} could not read {error.filename or 'a file'}: {error.strerror or error}"
        ) from error
    except Exception as error:
        raise BenchFault(
            f"the probe {declaration.name} broke down: {type(error).__name__}: {str(error)[:300]}"
        ) from error
    expected.complete()


async def _generator(probe: Probe, host: Host, settings: Any, so_far: SoFar | None) -> AsyncGenerator[Any, None]:
    # A probe may give any async iterator, not only a generator that can be closed.
    if so_far is None:
        steps = probe.take(host, settings)
    elif isinstance(probe, Resuming):
        steps = probe.go_on(host, settings, so_far)
    else:
        raise BenchFault(f"the probe {probe.declaration.name} does not go on after a pause")
    async for step in steps:
        yield step
