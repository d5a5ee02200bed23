"""The scripted technician of a simulated unit, and what anybody's hands do to it.

1. What a prompt asks is answered from the description (`seen`), or else as the suite wants it: all is well then.
2. Where the description names a measuring point, the answer is what is there, by a meter that is off by chance.
3. What is done at a cue or a prompt is done to the unit, whoever sits at the bench: a person at a simulated unit
   has nothing to press.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from verifier.declare.suite import Check, Limit, PromptKind, Suite
from verifier.declare.units import convert
from verifier.errors import NotPossible
from verifier.gather.prompts.question import LABEL, Asker, Given, Question, read_answer
from verifier.gather.simulated.chance import chance
from verifier.gather.simulated.host import SimulatedHost
from verifier.gather.simulated.parts import Seen
from verifier.readings import Attempt, Person
from verifier.services import Host
from verifier.steps import Cue

TECHNICIAN = Person(name="scripted technician", known="simulated")
COLLEAGUE = Person(name="scripted colleague", known="simulated")
REACTION = 0.3
"""Seconds by which a key is pressed late at the most."""
MARKED = "(Simulated: it is done for you, by simulated time.)"
SLOWEST = 12.0
"""Seconds that an answer takes at the most."""


class ScriptedTechnician:
    """Serves as `Asker`, in the unit's own time."""

    def __init__(self, suite: Suite, host: SimulatedHost) -> None:
        self._suite, self._host = suite, host

    async def ask(self, question: Question) -> Given:
        """Raises NotPossible where nothing it could say fits the question."""
        host = self._host
        source = chance(host.seed, "answer", question.check, question.take)
        await host.clocks.sleep(
            question.duration if question.duration is not None else source.uniform(3.0, SLOWEST)
        )
        text = self._text(question)
        try:
            value, step = read_answer(question, text)
        except ValueError as error:
            raise NotPossible(f"the scripted technician would say “{text[:60]}”: {error}") from None
        by = COLLEAGUE if question.second_person else TECHNICIAN
        return Given(value=value, by=by, unit=question.unit, step=step)

    async def cue(self, title: str, cue: Cue) -> Person:
        if cue.wait:
            await self._host.clocks.sleep(chance(self._host.seed, "cue", title, cue.say).uniform(1.0, SLOWEST))
        return TECHNICIAN

    def found(self, question: Question) -> str:
        """What the unit shows to whoever looks; empty where its description says nothing of it.

        Raises NotPossible for a measuring point that the unit has not.
        """
        if question.check == LABEL:
            return self._host.unit.identity.product_serial or ""
        seen = self._host.unit.seen.get(question.check, Seen())
        if seen.reads is None and question.about:
            return self._about(question.about)
        if seen.reads is not None:
            return self._measured(question, seen, seen.reads)
        noticed = chance(self._host.seed, "noticed", question.check, question.take).random() < seen.chance
        return _typed(seen.value) if seen.value is not None and noticed else ""

    def _text(self, question: Question) -> str:
        if (found := self.found(question)) or question.check == LABEL or question.about:
            return found
        check = next((check for check in self._suite.checks if check.id == question.check), None)
        return _typed(usual_answer(question, check, self._host.unit.identity.product_serial or "none"))

    def _about(self, what: str) -> str:
        """What a probe asks about while it is taken; empty for what is not known here, which fits no question."""
        match what:
            case "squares":
                return str(self._host.state.squares)
            case "beeps":
                return f"{self._host.points.value('sound.beeps'):.0f}"
            case code if code.startswith("code, "):
                camera = self._host.unit.cameras.get(code.removeprefix("code, ").removesuffix(" camera"))
                return self._host.state.code if camera and camera.connected and camera.pictures else "0"
            case "air temperature":
                return f"{thermal.ambient:.1f}" if (thermal := self._host.unit.thermal) else ""
            case "hours":
                return "48.0"
            case _:
                return ""

    def _measured(self, question: Question, seen: Seen, point: str) -> str:
        host = self._host
        try:
            true = host.points.value(point, seen.amps, host.clocks.boot())
        except KeyError:
            raise NotPossible(f"the simulated unit has no measuring point {point[:60]}") from None
        off = chance(host.seed, "meter", question.check).uniform(-seen.half_width, seen.half_width)
        value, step, unit = true + off, seen.step, host.points.unit(point)
        if unit != "1":
            value, step = convert(value, unit, question.unit), abs(convert(step, unit, question.unit))
        decimals = max(0, -math.floor(math.log10(step))) if step else 0 if unit == "1" else 6
        return f"{value:.{decimals}f}"


def scripted(suite: Suite) -> Callable[[Host], ScriptedTechnician]:
    """Gives the scripted technician of a simulated host. TypeError for any other host."""

    def at(host: Host) -> ScriptedTechnician:
        if not isinstance(host, SimulatedHost):
            raise TypeError(f"{host.address} has no scripted technician")
        return ScriptedTechnician(suite, host)

    return at


def usual_answer(question: Question, check: Check | None, serial: str) -> bool | float | str:
    """What is said of a unit that is as the suite wants it."""
    limits = [limit for limit in check.limits if limit.reading == question.kind.value] if check else []
    for limit in limits:
        good = _good(limit, question)
        if good is not None:
            return good
    match question.kind:
        case PromptKind.CONFIRM:
            return True
        case PromptKind.CHOICE:
            return question.options[0]
        case PromptKind.SCAN:
            return serial
        case PromptKind.NUMBER:
            return sum(question.range) / 2 if question.range else 1.0
        case PromptKind.TIMED:
            return question.duration or 0.0
        case PromptKind.TEXT:
            return "nothing to add"
        case PromptKind.COUNT:
            return int(question.range[0]) if question.range else 0
        case _:
            return ""


def _good(limit: Limit, question: Question) -> bool | float | str | None:
    """A value that the limit accepts; None where it does not say one that could be named."""
    if limit.is_ is not None:
        return limit.is_
    if limit.equals is not None:
        return limit.equals
    if limit.one_of:
        return limit.one_of[0]
    lower, upper = limit.bounds
    if (lower is None and upper is None) or question.kind is PromptKind.TIMED:
        return None
    if lower is None or upper is None:
        edge = lower if lower is not None else upper or 0.0
        # Well inside: half as much, or half as much again.
        value = edge + (1 if upper is None else -1) * (abs(edge) / 2 or 1.0)
    else:
        value = (lower + upper) / 2
    unit = question.unit
    value = convert(value, limit.unit, unit) if unit not in ("", "1") and limit.unit else value
    return round(value) if question.kind is PromptKind.COUNT else float(f"{value:.6g}")


def _typed(value: bool | float | str) -> str:
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


class WithEyes:
    """Tells a person at a terminal what is to be seen and measured at a simulated unit, where nobody can look."""

    def __init__(self, asker: Asker, suite: Suite, host: SimulatedHost) -> None:
        self._asker, self._eyes = asker, ScriptedTechnician(suite, host)

    async def ask(self, question: Question) -> Given:
        try:
            found = self._eyes.found(question)
        except NotPossible:
            found = ""
        if found:
            question = replace(question, say=f"{question.say}\n(Simulated: you find {found}.)")
        return await self._asker.ask(question)

    async def cue(self, title: str, cue: Cue) -> Person:
        return await self._asker.cue(title, cue)


class Hands:
    """Passes questions and cues on to whoever sits at the bench, and does to the unit what he was asked to do."""

    def __init__(self, asker: Asker, host: SimulatedHost) -> None:
        self._asker, self._host = asker, host

    async def ask(self, question: Question) -> Given:
        given = await self._asker.ask(question)
        took = given.value if question.kind is PromptKind.TIMED and isinstance(given.value, int | float) else 0.0
        if given.value is not False:
            self._do(question.check, self._host.clocks.boot() - took)
        return given

    async def cue(self, title: str, cue: Cue) -> Person:
        marking = cue.act == "minute mark"
        self._host.state.code = cue.code or self._host.state.code
        by = await self._asker.cue(title, replace(cue, say=f"{cue.say} {MARKED}") if marking else cue)
        if marking:
            await self._press_at_minute()
        self._acts.get(cue.act, _nothing)(cue.at)
        return by

    async def _press_at_minute(self) -> None:
        """At the next full minute of simulated time, which nobody's own clock shows; a little late."""
        clocks, state = self._host.clocks, self._host.state
        late = chance(self._host.seed, "reaction", f"{clocks.boot():.3f}").uniform(0.0, REACTION)
        state.minute = math.ceil((clocks.wall() + 1) / 60) * 60
        await clocks.sleep(state.minute + late - clocks.wall())

    def remember(self, attempts: list[Attempt]) -> None:
        """Do again what was done before the run paused."""
        for attempt in attempts:
            for answer in attempt.answers:
                if answer.at is not None and answer.value is not False:
                    took = answer.value if answer.kind == PromptKind.TIMED else 0.0
                    ended = float(answer.at.boot)
                    self._do(attempt.check, ended - (took if isinstance(took, int | float) else 0.0), ended)

    def _do(self, check: str, begun: float, ended: float | None = None) -> None:
        state, unit = self._host.state, self._host.unit
        match unit.seen.get(check, Seen()).does:
            case "turn plugs":
                for socket in unit.usb.values():
                    state.turned ^= {socket.fast}
            case "cut supply":
                state.cuts.append((begun, self._host.clocks.boot() if ended is None else ended))
                state.closed.clear()  # relays fall open
                state.lamp = False

    @property
    def _acts(self) -> dict[str, Callable[[str], None]]:
        state, now = self._host.state, self._host.clocks.boot()

        def let_go(_: str) -> None:
            state.moved[-1:] = [(begun, min(ended, now)) for begun, ended in state.moved[-1:]]

        def turn_over(at: str) -> None:
            state.turned ^= {at}
            state.unplugged.discard(at)

        return {
            "press": self._press,
            "charge": lambda _: setattr(state, "charging", True),
            "uncharge": lambda _: setattr(state, "charging", False),
            "wipe": lambda _: setattr(state, "wiped", True),
            "lay": lambda at: setattr(state, "lies_on", at),
            "undock": lambda _: setattr(state, "docked", False),
            "dock": lambda _: setattr(state, "docked", True),
            "fill": lambda _: setattr(state, "filled_at", now),
            "move": lambda _: state.moved.append((now, math.inf)),
            "let go": let_go,
            "load": lambda at: setattr(state, "loaded", at),
            "pull": state.unplugged.add,
            "put in": state.unplugged.discard,
            "turn over": turn_over,
        }

    def _press(self, at: str) -> None:
        """The power button, or the side button with that code."""
        if at.isdecimal():
            self._host.state.key = int(at)
        else:
            self._host.press()


def _nothing(_: str) -> None:
    """Nothing is to be done to the unit."""
