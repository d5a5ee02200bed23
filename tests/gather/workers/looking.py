"""A probe that may end early, as a package that is installed."""

from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.hookspecs import hookimpl
from verifier.readings import Conditions, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Host
from verifier.steps import Look, Step


@dataclass
class Settings:
    most: int = 5
    looks: int = 10
    name: str = "level"


class Looking:
    def __init__(self, name: str, *, looks: bool) -> None:
        readings = (
            ReadingDeclaration(name="level", kind="number", unit="K", what="Grows by one a look."),
            ReadingDeclaration(name="looked", kind="number", unit="1", what="How often.", optional=True),
        )
        self.declaration = ProbeDeclaration(
            name=name, title="Looks", what="Looks.", settings=Settings, readings=readings, looks=looks
        )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Step]:
        number = 0
        while number < settings.most:
            number += 1
            conditions = Conditions(looks=settings.looks)
            level = Reading(name=settings.name, value=float(number), unit="K", conditions=conditions)
            yield (look := Look(readings=(level,)))
            if look.enough:
                break
        yield Reading(name="level", value=float(number), unit="K", conditions=Conditions(looks=settings.looks))
        yield Reading(name="looked", value=number, unit="1", exact=True)


@hookimpl
def verifier_probes() -> list[Looking]:
    return [Looking("depot.looks", looks=True), Looking("depot.looks_unsaid", looks=False)]
