"""A probe that reads nothing: what a check with it costs is what the harness costs."""

from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.hookspecs import hookimpl
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host


@dataclass
class Settings:
    number: int = 0


class Trivial:
    declaration = ProbeDeclaration(
        name="trivial",
        title="Trivial",
        what="Gives back the number that it was set to.",
        settings=Settings,
        readings=(ReadingDeclaration(name="value", kind="number", unit="1", what="That number."),),
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        yield Reading(name="value", value=settings.number, unit="1", origin="nowhere", exact=True)


@hookimpl
def verifier_probes() -> list[Trivial]:
    return [Trivial()]
