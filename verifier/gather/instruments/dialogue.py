"""The conversation with one instrument. Any failure is a LineFault that says at which step.

1. A port that is opened, or on which an exchange went wrong, is drained and cleared before it is used.
2. The instrument must say that it is the one expected, before each check that uses it.
3. After each message its error queue is read until it is empty.
4. Nothing is set above the station's ceilings; what is set, and every trip, is read back.
5. The output goes on only after all trips were read back.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import contextmanager
from typing import Any

from verifier.gather.instruments.description import Instrument, Quantity
from verifier.gather.instruments.line import LineFault, OpenLine
from verifier.gather.instruments.replies import (
    ERRORS_LIMIT,
    BadReply,
    error_of,
    fields_of,
    number,
    shown,
    text_of,
    value_of,
)
from verifier.gather.instruments.safing import make_safe, programme_of


class Dialogue:
    """`stop` is asked between waits (see `OpenLine`); `opens` gives the line, where it is no port."""

    def __init__(
        self,
        name: str,
        instrument: Instrument,
        stop: Callable[[], bool] = lambda: False,
        opens: Callable[[], OpenLine] | None = None,
    ) -> None:
        self.name, self.instrument, self._stop = name, instrument, stop
        self._opens = opens or self._open_port
        self._line: OpenLine | None = None
        self._clean = False
        self.hot = False
        """Whether it may be supplying, drawing or switching anything."""
        self._programme = programme_of(instrument.model_dump(mode="json"), name)

    # ---- what can be asked of it ------------------------------------------------------------------

    def identify(self) -> str:
        """Its whole identification; empty for one that has none. LineFault for another instrument's."""
        with self._exchange("identify"):
            return self._identify()

    def measure(self, quantity: str, in_range: float | None = None) -> float:
        """One value, in the unit that the description gives it."""
        described = self.instrument.quantities[quantity]
        with self._exchange(f"measure {quantity}"):
            if not described.ask:
                return self._printed(described)
            asks = described.ask
            if in_range is not None and described.ask_in_range:
                asks = _put(described.ask_in_range, in_range)
            value = value_of(described.reply, self._ask(asks), self.instrument.overload)
            self._read_errors(asks)
            return value

    def switch_on(self, settings: dict[str, float]) -> float:
        """Set, set the trips, read all of it back, then switch on. Seconds within which the output went on."""
        instrument = self.instrument
        if instrument.output is None:
            raise LineFault("it has no output to switch on")
        for name, value in settings.items():
            if name not in instrument.sets:
                raise LineFault(f"it has no setting {name}")
            if not 0 <= value <= instrument.ceilings.get(name, 0.0):
                raise LineFault(f"{name} {value:g} is above this station's ceiling")
        self.hot = True
        with self._exchange("set"):
            self._tell(instrument.output.off)
            for name, value in settings.items():
                setting = instrument.sets[name]
                self._tell(_put(setting.set, value))
                self._read_back(name, setting.ask, setting.reply, value, setting.resolution)
        with self._exchange("set the trips"):
            for name, trip in instrument.trips.items():
                ceiling = instrument.ceilings[trip.of]
                value = min(ceiling, settings.get(trip.of, ceiling) * (1 + trip.headroom / 100))
                self._tell(_put(trip.set, value))
                self._read_back(name, trip.ask, trip.reply, value, trip.resolution)
        with self._exchange("switch on"):
            began = time.monotonic()
            self._tell(instrument.output.on)
            if (said := self._ask(instrument.output.ask)) != instrument.output.is_on:
                raise LineFault(f"the output did not go on: it says {said!r}")
            return time.monotonic() - began

    def is_on(self) -> bool:
        """Whether the output is still on; a trip of the instrument's own switches it off."""
        output = self.instrument.output
        with self._exchange("look at the output"):
            return output is not None and self._ask(output.ask) == output.is_on

    def close_channel(self, channel: int) -> None:
        channels = self.instrument.channels
        if channels is None or not 1 <= channel <= channels.count:
            raise LineFault(f"it has no contact {channel}")
        self.hot = True
        with self._exchange(f"close contact {channel}"):
            self._tell(channels.close.replace("{channel}", str(channel)))

    def safe(self) -> None:
        """Command the safe state and see that it is so. Opens the port where it must."""
        if self._programme is None:
            return
        try:
            make_safe(self._opened(), self._programme)
        except LineFault as error:
            self.close()  # a line that broke may be whole again when it is opened anew
            raise LineFault(f"make safe: {error}") from None
        self.hot = self._clean = False

    def close(self) -> None:
        if self._line is not None:
            self._line.close()
        self._line, self._clean = None, False

    # ---- how ----------------------------------------------------------------------------------------

    @contextmanager
    def _exchange(self, step: str) -> Any:
        try:
            self._begin()
            yield
        except (LineFault, BadReply) as error:
            self._clean = False
            raise LineFault(f"{step}: {error}") from None
        except BaseException:
            self._clean = False
            raise

    def _opened(self) -> OpenLine:
        if self._line is None:
            self._line = self._opens()
        return self._line

    def _open_port(self) -> OpenLine:
        return OpenLine(self.instrument.port, self.instrument.line.model_dump(mode="json"), self._stop)

    def _begin(self) -> None:
        """Open where needed; after an exchange that went wrong, drain, clear and identify again."""
        if self._clean:
            return
        try:
            line = self._opened()
            if not self._prints_by_itself:
                line.end_message()
            line.drain()
        except LineFault:
            self.close()
            line = self._opened()
            line.drain()
        if self.instrument.clear:
            line.send(self.instrument.clear)
            if self.instrument.line.echo:
                self._swallow_echo(self.instrument.clear)
        if self.instrument.errors:
            # What stands in the queue by now is of an earlier conversation.
            for _ in range(ERRORS_LIMIT):
                if not error_of(self._ask(self.instrument.errors)):
                    break
        self._clean = True
        self._identify()

    @property
    def _prints_by_itself(self) -> bool:
        return all(not q.ask for q in self.instrument.quantities.values()) and not self.instrument.energises

    def _identify(self) -> str:
        wanted = self.instrument
        if wanted.identity is None:
            return ""
        reply = self._ask(wanted.identity.ask)
        said = fields_of(wanted.identity.reply, reply)
        for field, expected in (("serial", wanted.serial), ("model", wanted.model)):
            if expected and said.get(field) != expected:
                raise LineFault(
                    f"another instrument answers at {wanted.port}: {field} {said.get(field, '')!r} instead of "
                    f"{expected!r}. Are two instruments swapped?"
                )
        return reply

    def _ask(self, message: str) -> str:
        line = self._opened()
        line.drop_waiting()
        line.send(message)
        if self.instrument.line.echo:
            self._swallow_echo(message)
        reply = text_of(line.receive())
        if reply == message:
            raise BadReply(
                f"the message {message!r} came back as an echo; an instrument that does so has echo = true"
            )
        return reply

    def _tell(self, message: str) -> None:
        """A message that is no question."""
        acknowledge = self.instrument.acknowledge
        if acknowledge:
            if (said := self._ask(message)) != acknowledge:
                raise BadReply(f"{shown(said.encode())} instead of {acknowledge!r} after {message!r}")
        else:
            line = self._opened()
            line.send(message)
            if self.instrument.line.echo:
                self._swallow_echo(message)
        self._opened().wait(self.instrument.line.pause)
        self._read_errors(message)

    def _swallow_echo(self, message: str) -> None:
        if (echo := text_of(self._opened().receive())) != message.strip():
            raise BadReply(f"{shown(echo.encode())} where the echo of {message!r} belongs")

    def _read_errors(self, message: str) -> None:
        if not self.instrument.errors:
            return
        found = []
        for _ in range(ERRORS_LIMIT):
            if not (error := error_of(self._ask(self.instrument.errors))):
                break
            found.append(error)
        else:
            raise BadReply(f"its error queue does not empty: {'; '.join(found[:3])}; ...")
        if found:
            raise BadReply(f"its error queue says after {message!r}: {'; '.join(found)}")

    def _read_back(self, name: str, ask: str, template: str, value: float, resolution: float) -> None:
        there = value_of(template, self._ask(ask))
        if abs(there - value) > resolution * 1.0001:
            raise LineFault(f"{name} was set to {value:g} and reads back as {there:g}")

    def _printed(self, described: Quantity) -> float:
        """The next whole line of an instrument that prints by itself."""
        line = self._opened()
        line.drop_waiting()
        line.receive()  # it may have been in the middle of this one
        return value_of(described.reply, text_of(line.receive()), self.instrument.overload)


def _put(message: str, value: float) -> str:
    text = f"{value:.6g}"
    number(text)
    return message.replace("{value}", text)
