"""The bench beside a simulated unit: instruments that answer, message for message, as their descriptions say.

They stand behind the same dialogue as real ones, which speaks to a line in this process; what an exchange takes is
waited for in simulated time. Each is off by what its accuracy specification allows, the same all through a run.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Self

from verifier.errors import BenchFault
from verifier.gather.instruments.accuracy import half_width, range_for
from verifier.gather.instruments.bench import StationInstruments
from verifier.gather.instruments.description import Instrument
from verifier.gather.instruments.dialogue import Dialogue
from verifier.gather.instruments.line import ENDINGS, LineFault, OpenLine
from verifier.gather.simulated.chance import lot
from verifier.services import Clocks

LATENCY = 0.03
"""Seconds that an instrument thinks before it answers (common practice, no source)."""
BITS = 10
"""Of one character: start bit, eight data bits, stop bit."""
Truth = Callable[[str, "FakeInstrument"], float]
"""What is really there: from the name of a quantity, and the instrument with what it supplies or draws."""


class FakeInstrument:
    """Knows its own description, what it was told to set, and whether it is on."""

    def __init__(self, name: str, described: Instrument, truth: Truth, seed: int, clocks: Clocks) -> None:
        self.name, self.described, self._truth = name, described, truth
        self._seed, self._clocks = seed, clocks
        self.set = dict.fromkeys(described.sets, 0.0)
        self.trips = dict.fromkeys(described.trips, 0.0)
        self.since: float | None = None
        """Since when its output is on, in seconds of boot time; None while it is off."""
        self.closed: set[str] = set()

    def answer(self, message: str) -> str | None:
        """What it sends back; None where it says nothing."""
        described = self.described
        if described.identity is not None and message == described.identity.ask:
            return _filled(described.identity.reply, serial=described.serial, model=described.model or "SIM1")
        if message and message == described.errors:
            return '0,"No error"'
        for name, quantity in described.quantities.items():
            if message == quantity.ask or _value(quantity.ask_in_range, message) is not None:
                return _filled(quantity.reply, value=f"{self.shown(name):.6E}")
        for name, setting in described.sets.items():
            if message == setting.ask:
                return _filled(setting.reply, value=f"{self.set[name]:.6g}")
        for name, trip in described.trips.items():
            if message == trip.ask:
                return _filled(trip.reply, value=f"{self.trips[name]:.6g}")
        if described.output is not None and message == described.output.ask:
            watched = {trip.of for trip in described.trips.values()} & set(described.quantities)
            self._trip({name: self._truth(name, self) for name in watched})
            return described.output.is_off if self.since is None else described.output.is_on
        if described.safe is not None and message == described.safe.ask:
            return described.safe.is_safe if self.since is None and not self.closed else "not safe"
        return described.acknowledge or None if self._told(message) else None

    def _told(self, message: str) -> bool:
        """Do what a message says that is no question; whether it is one of its own."""
        described = self.described
        for kinds, kept in ((described.sets, self.set), (described.trips, self.trips)):
            for name, kind in kinds.items():
                if (value := _value(kind.set, message)) is not None:
                    kept[name] = value
                    return True
        if described.output is not None and message in (described.output.on, described.output.off):
            self.since = self._clocks.boot() if message == described.output.on else None
        if described.safe is not None and message in described.safe.messages:
            self.since = None
            self.closed.clear()
        if described.channels is not None:
            for channel in map(str, range(1, described.channels.count + 1)):
                if message == described.channels.close.replace("{channel}", channel):
                    self.closed.add(channel)
        return True

    def shown(self, quantity: str) -> float:
        """What it shows of what is there: off by its specification, in its steps."""
        true = self._truth(quantity, self)
        self._trip({quantity: true})
        accuracy = range_for(self.described.quantities[quantity], true, None)
        if accuracy is None:
            return true
        off = lot(self._seed, f"instrument {self.name} {quantity}") * half_width(accuracy, true)
        return round((true + off) / accuracy.resolution) * accuracy.resolution

    def _trip(self, found: Mapping[str, float]) -> None:
        """Its own trips switch it off, by what is there now."""
        for name, trip in self.described.trips.items():
            if self.since is not None and found.get(trip.of, 0.0) > self.trips[name]:
                self.since = None


class FakeLine(OpenLine):
    """A line with a fake instrument at its end. It waits for nothing; `spent` says for how long it would have."""

    def __init__(self, instrument: FakeInstrument) -> None:
        settings = instrument.described.line
        self._sends, self._ends = ENDINGS[settings.sends], ENDINGS[settings.ends]
        self._instrument, self._character, self._timeout = instrument, BITS / settings.baud, settings.timeout
        self._buffer = bytearray()
        self.spent = 0.0

    def close(self) -> None:
        self._buffer.clear()

    def send_raw(self, data: bytes) -> None:
        self.spent += len(data) * self._character
        for message in data.split(self._sends):
            if message:
                answer = self._instrument.answer(message.decode("ascii").strip())
                if answer is not None:
                    self._buffer += answer.encode() + self._ends

    def receive(self, timeout: float | None = None) -> bytes:
        reply, end, rest = bytes(self._buffer).partition(self._ends)
        if not end:
            limit = self._timeout if timeout is None else timeout
            self.spent += limit
            raise LineFault(f"no reply within {limit:g} s")
        self._buffer[:] = rest
        self.spent += LATENCY + (len(reply) + len(end)) * self._character
        return reply

    def drain(self, quiet: float = 0.1, longest: float = 1.0) -> int:
        gone = len(self._buffer)
        self._buffer.clear()
        self.spent += quiet
        return gone

    def drop_waiting(self) -> None:
        self._buffer.clear()

    def wait(self, seconds: float) -> None:
        self.spent += seconds


class SimulatedInstruments(StationInstruments):
    """The instruments beside a simulated unit: no process, no port, no watchdog, since nothing is really on."""

    simulated = True

    def __init__(
        self, instruments: Mapping[str, Instrument], truths: Mapping[str, Truth], seed: int, clocks: Clocks
    ) -> None:
        self._clocks = clocks
        self._instruments = dict(instruments)
        self.switched_on = set()
        self.fakes = {
            name: FakeInstrument(name, described, truths[name], seed, clocks)
            for name, described in instruments.items()
        }
        self._lines = {name: FakeLine(fake) for name, fake in self.fakes.items()}
        self._dialogues = {
            name: Dialogue(name, described, opens=lambda name=name: self._lines[name])  # type: ignore[misc]
            for name, described in instruments.items()
        }

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        return None

    async def ready(self) -> None:
        """There is no process to be started."""

    async def wait(self, seconds: float) -> None:
        await self._clocks.sleep(seconds)

    async def _order(self, name: str, order: Mapping[str, Any]) -> Any:
        instrument = self.described(name)
        dialogue, line = self._dialogues[name], self._lines[name]
        line.spent = 0.0
        try:
            return _done(dialogue, order)
        except LineFault as error:
            raise BenchFault(f"{name} at {instrument.port}: {error}"[:1500]) from None
        finally:
            await self._clocks.sleep(line.spent)


def _done(dialogue: Dialogue, order: Mapping[str, Any]) -> Any:
    """Do one order, as the instrument process does it."""
    match order["do"]:
        case "identify":
            return dialogue.identify()
        case "measure":
            return dialogue.measure(order["quantity"], order.get("range"))
        case "is-on":
            return dialogue.is_on()
        case "on":
            dialogue.switch_on(order["settings"])
            return LATENCY  # what the dialogue measured is this computer's own time
        case "close":
            dialogue.close_channel(order["channel"])
        case "break-off" | "safe":
            dialogue.safe()
    return True


def _value(template: str, message: str) -> float | None:
    """The number that stands in a message for {value}; None where it is another message."""
    before, place, after = template.partition("{value}")
    if not place or not (message.startswith(before) and message.endswith(after)):
        return None
    try:
        return float(message[len(before) : len(message) - len(after)])
    except ValueError:
        return None


def _filled(template: str, **values: str) -> str:
    for name, text in values.items():
        template = template.replace(f"{{{name}}}", text)
    return template.replace("{any}", "SIMULATED").replace("{value}", "0")
