"""A probe that asks for actions, as a package that is installed."""

from collections.abc import AsyncIterator
from dataclasses import dataclass

from verifier.hookspecs import hookimpl
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration, SoFar
from verifier.services import Host
from verifier.steps import Ask, Consult, Cue, Pause, Step


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


@dataclass
class Yields:
    what: str = "ask"


class Wanting:
    """Wants one thing of whoever consumes it, and tells what it got."""

    def __init__(self, name: str, **declares: bool) -> None:
        readings = (ReadingDeclaration(name="got", kind="text", what="What it got."),)
        self.declaration = ProbeDeclaration(
            name=name, title="Wants", what="Wants.", settings=Yields, readings=readings, **declares
        )

    async def take(self, host: Host, settings: Yields) -> AsyncIterator[Step]:
        match settings.what:
            case "ask":
                ask = Ask(say="How long?", pattern="[0-9]+", hint="seconds")
                yield ask
                yield Reading(name="got", value=ask.answer)
            case "bad pattern":
                yield Ask(say="How long?", pattern="(", hint="seconds")
            case "consult":
                consult = Consult(probe="instrument.time", instrument="clock")
                yield consult
                assert consult.given is not None
                yield Reading(name="got", value=f"{consult.given.value} {consult.given.unit}")
            case "pause":
                yield Pause(why="away", say="Pull it", seconds=5.0)
            case "pause and go on":
                yield Pause(why="away", say="Pull it", seconds=5.0)
                yield Reading(name="got", value="more")

    async def go_on(self, host: Host, settings: Yields, so_far: SoFar) -> AsyncIterator[Step]:
        yield Reading(name="got", value=" ".join(f"{r.name}={r.value}" for r in so_far.readings) or "nothing")


@hookimpl
def verifier_probes() -> list[Cueing | Wanting]:
    return [
        Cueing("depot.asks", cues=True),
        Cueing("depot.asks_unsaid", cues=False),
        Wanting("depot.wants", cues=True, consults=True, pauses=True),
        Wanting("depot.wants_unsaid"),
    ]
