"""What a unit says over its serial console: commands and the replies to them, as the suite writes them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from verifier.declare import units
from verifier.errors import BenchFault
from verifier.gather.probes.reply_form import ReplyForm, number_in
from verifier.gather.timekeeping.looking import seconds_in
from verifier.readings import Basis, Contribution, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Console, Host, console_of

LONGEST_SETTLE = 600.0
_DONE = "OK"
_SOURCE = "The unit's own console, as the suite describes it: [console] and the settings of the check"


def _refuse_bad(commands: Sequence[object]) -> None:
    for command in commands:
        fits = isinstance(command, str) and command.isascii() and command.isprintable() and command.strip()
        if not fits or len(str(command)) > 200:
            raise ValueError("a command is one line of at most 200 plain ASCII characters")


@dataclass(frozen=True, slots=True)
class QuerySettings:
    send: str
    """The command whose reply is read."""
    reply: str = "{value}"
    """The form of the reply: text as it is, and each reading as its name in braces."""
    units: dict[str, str] = field(default_factory=dict)
    """The unit of each reading that is a number ("1" for a plain number); the others are texts."""
    first: list[str] = field(default_factory=list)
    """Commands to send before."""
    settle: float = 0.0
    """Seconds to wait between those and the one whose reply is read."""
    last: list[str] = field(default_factory=list)
    """Commands to send afterwards, whatever happened before."""
    done: str = _DONE
    """What the unit answers to the commands of `first` and `last`."""

    def __post_init__(self) -> None:
        _refuse_bad([self.send, *self.first, *self.last, self.done])
        form = ReplyForm.parse(self.reply)
        if not form.names:
            raise ValueError('the reply names no reading in braces, such as "{value}"')
        for name, unit in self.units.items():
            if name not in form.names:
                raise ValueError(f'units names "{name}", which is no reading of the reply')
            units.normal(unit)
            if not unit:
                raise ValueError(f'the unit of "{name}" is empty; write "1" for a plain number')
        if not 0 <= self.settle <= LONGEST_SETTLE:
            raise ValueError(f"settle is between 0 and {LONGEST_SETTLE:g} s")


def _told(settings: Mapping[str, Any]) -> tuple[ReadingDeclaration, ...]:
    reply, given = settings.get("reply", "{value}"), settings.get("units", {})
    try:
        names = ReplyForm.parse(reply).names
    except (ValueError, TypeError, AttributeError):
        return ()  # told at the setting itself
    by_unit = given if isinstance(given, dict) else {}
    return tuple(
        ReadingDeclaration(
            name=name,
            kind="number" if name in by_unit else "text",
            unit=str(by_unit.get(name, "")),
            what="What stands there in the reply.",
        )
        for name in names
    )


class Query:
    declaration = ProbeDeclaration(
        name="console.query",
        title="Reading over the serial console",
        what=(
            "Sends a command over the unit's serial console and reads the values in its reply. The suite writes "
            "the form of the reply; each name in braces there is a reading, a number where `units` gives its unit "
            "and a text otherwise. The last digit of a number counts as its resolution; what else is known of its "
            "accuracy belongs into `uncertainty`. An error reply, garbage or silence is the bench's error."
        ),
        settings=QuerySettings,
        readings=_told({}),
        told=_told,
        services=("console",),
        sources=(_SOURCE,),
        example="""\
[console]
baud = 9600
error = 'ERR \\d+ .*'

[[checks]]
id = "input-1"
title = "Current input 1 reads the loop"
probe = "console.query"
settings = { send = "IN? 1", reply = "{current}", units = { current = "mA" } }
covers = ["input-block"]
uncertainty = [
  { reading = "current", half_width = 0.02, unit = "mA", source = "data sheet", basis = "specification" },
]
limits = [{ reading = "current", nominal = 12, tolerance = 0.1, unit = "mA", source = "service document, inputs" }]
""",
    )

    async def take(self, host: Host, settings: QuerySettings) -> AsyncIterator[Reading]:
        """Raises BenchFault for a reply that does not have the form, or a number that is none."""
        console, form = console_of(host), ReplyForm.parse(settings.reply)
        try:
            for command in settings.first:
                await _do(console, command, settings.done)
            if settings.settle:
                await host.clocks.sleep(settings.settle)
            reply = await console.ask(settings.send)
        except BenchFault:
            await _anyway(console, settings.last)
            raise
        for command in settings.last:
            await _do(console, command, settings.done)
        found = form.read(reply)
        if found is None:
            raise BenchFault(
                f"“{settings.send}” was answered by “{reply[:100]}”, where “{settings.reply}” belongs"
            )
        for name, text in found.items():
            yield _reading(name, text, settings)


def _reading(name: str, text: str, settings: QuerySettings) -> Reading:
    origin = f"console: {settings.send}"
    if name not in settings.units:
        return Reading(name=name, value=text, origin=origin, exact=True)
    number, unit = number_in(text), settings.units[name]
    if number is None:
        raise BenchFault(f"“{settings.send}” gave “{text[:60]}” as {name}, which is no number")
    value, step = number
    if isinstance(value, int) and units.normal(unit) == "1":
        return Reading(name=name, value=value, unit=unit, origin=origin, exact=True)
    known = (Contribution.resolution(step, note=f"last digit of the reply, {step:g} {unit}"),)
    return Reading(name=name, value=value, unit=unit, origin=origin, contributions=known)


async def _do(console: Console, command: str, done: str) -> None:
    reply = await console.ask(command)
    if reply != done:
        raise BenchFault(f"“{command}” was answered by “{reply[:100]}”, where “{done}” belongs")


async def _anyway(console: Console, commands: Sequence[str]) -> None:
    for command in commands:
        try:
            await console.ask(command)
        except BenchFault:
            continue  # what went wrong first is what is told


@dataclass(frozen=True, slots=True)
class CommandSettings:
    send: list[str]
    """The commands, in order."""
    done: str = _DONE
    """What the unit answers to each."""

    def __post_init__(self) -> None:
        _refuse_bad([*self.send, self.done])
        if not self.send:
            raise ValueError("there is nothing to send")


class Command:
    declaration = ProbeDeclaration(
        name="console.command",
        title="Command over the serial console",
        what=(
            "Sends commands over the unit's serial console, each of which has to be answered as it should: to "
            "switch something that the next check looks at. That the unit says so proves nothing by itself."
        ),
        settings=CommandSettings,
        readings=(
            ReadingDeclaration(name="commands", kind="number", unit="1", what="How many were carried out."),
        ),
        services=("console",),
        sources=(_SOURCE,),
        example="""\
[console]
baud = 9600

[[checks]]
id = "lamp-on"
title = "Status lamp switched on"
probe = "console.command"
settings = { send = ["LMP 1"] }
limits = [{ reading = "commands", equals = 1, source = "service document, console" }]
""",
    )

    async def take(self, host: Host, settings: CommandSettings) -> AsyncIterator[Reading]:
        """Raises BenchFault for a command that is answered otherwise."""
        for command in settings.send:
            await _do(console_of(host), command, settings.done)
        origin = f"console: {'; '.join(settings.send)[:500]}"
        yield Reading(name="commands", value=len(settings.send), unit="1", origin=origin, exact=True)


@dataclass(frozen=True, slots=True)
class TimeSettings:
    send: str = "TIME?"
    """The command that is answered by the unit's time, YYYY-MM-DD hh:mm:ss in UTC."""

    def __post_init__(self) -> None:
        _refuse_bad([self.send])


class Time:
    declaration = ProbeDeclaration(
        name="console.time",
        title="Clock over the serial console",
        what=(
            "Asks the unit's clock for its time, YYYY-MM-DD hh:mm:ss in UTC, and holds it against the station's "
            "own system time; the record says whether that was disciplined by network time."
        ),
        settings=TimeSettings,
        readings=(
            ReadingDeclaration(name="valid", kind="yes-no", what="Whether it gives a time that exists."),
            ReadingDeclaration(name="time", kind="text", what="Its time, in UTC.", optional=True),
            ReadingDeclaration(
                name="ahead",
                kind="number",
                unit="s",
                what="How far the unit's clock is ahead of the station's; negative when behind.",
                optional=True,
            ),
        ),
        services=("console",),
        sources=(
            _SOURCE,
            "JCGM 100:2008, 4.3.7 (firm bounds: the second that is not shown, the time of the reply)",
        ),
        example="""\
[console]
baud = 9600

[[checks]]
id = "clock"
title = "Clock is right"
probe = "console.time"
limits = [
  { reading = "valid", is = true, source = "service document, clock" },
  { reading = "ahead", at_least = -60, at_most = 60, unit = "s", source = "judgement" },
]
""",
    )

    async def take(self, host: Host, settings: TimeSettings) -> AsyncIterator[Reading]:
        """Raises BenchFault for a reply that is no time at all."""
        console, origin = console_of(host), f"console: {settings.send}"
        before, sent = host.clocks.wall(), host.clocks.loop()
        reply = await console.ask(settings.send)
        took = max(0.0, host.clocks.loop() - sent)
        shows = seconds_in(reply, settings.send)
        if shows is None:
            yield Reading(name="valid", value=False, origin=origin, exact=True)
            return
        yield Reading(name="valid", value=True, origin=origin, exact=True)
        yield Reading(name="time", value=reply, origin=origin, exact=True)
        # The second that it shows began up to 1 s ago; the reply was made some time while we waited for it.
        ahead = shows + 0.5 - (before + took / 2)
        yield Reading(
            name="ahead",
            value=round(ahead, 3),
            unit="s",
            origin=origin,
            contributions=(
                Contribution.resolution(1.0, note="the clock shows whole seconds"),
                Contribution.half_width(took / 2, basis=Basis.SPECIFICATION, note="time the reply took"),
            ),
        )
