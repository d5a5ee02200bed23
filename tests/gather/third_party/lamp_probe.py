"""A probe of another package, whole: two entry-point lines in its metadata make a suite able to name it."""

from dataclasses import dataclass

from verifier.hookspecs import hookimpl
from verifier.readings import ProbeDeclaration, Reading, ReadingDeclaration


@dataclass
class Settings:
    lamp: str = "power"


class Lamp:
    level = ReadingDeclaration(name="level", kind="number", unit="1", what="Brightness step.")
    declaration = ProbeDeclaration(
        name="lamp.level", title="Lamp", what="How bright.", settings=Settings, readings=(level,)
    )

    async def take(self, host, settings):
        path = f"/sys/class/leds/{settings.lamp}/brightness"
        yield Reading(name="level", value=int(await host.files.read(path)), unit="1", origin=path, exact=True)


verifier_probes = hookimpl(lambda: [Lamp()], specname="verifier_probes")
