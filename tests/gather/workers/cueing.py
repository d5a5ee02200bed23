"""A probe that asks for actions, as a package that is installed."""

from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.hookspecs import hookimpl
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Cue, Host


@dataclass
class Settings:
    say: str = "Press it"
    times: int = 2


class Cueing:
    def __init__(self, name: str, *, cues: bool) -> None:
        self.declaration = ProbeDeclaration(
            name=name,
            title="Asks",
            what="Asks for actions.",
            settings=Settings,
            readings=(ReadingDeclaration(name="waited", kind="number", unit="s", what="From cue to going on."),),
            cues=cues,
        )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading | Cue]:
        began = host.clocks.loop()
        for number in range(settings.times):
            yield Cue(say=settings.say, wait=number == 0)
        yield Reading(name="waited", value=host.clocks.loop() - began, unit="s")


@hookimpl
def verifier_probes() -> list[Cueing]:
    return [Cueing("depot.asks", cues=True), Cueing("depot.asks_unsaid", cues=False)]
