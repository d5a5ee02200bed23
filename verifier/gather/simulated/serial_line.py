"""A simulated serial line: what is written takes its time on the wire, and a described console answers."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from typing import get_args

import anyio

from verifier.errors import Absent, BenchFault
from verifier.gather.lines import LineSettings, Pair
from verifier.gather.simulated.chance import chance
from verifier.gather.simulated.parts import Line
from verifier.services import Clocks

SCHEME = "simulated://"
BITS = 10
"""Of one character: start bit, eight data bits, stop bit."""
FIFO = 16
"""Characters that a serial port gathers before it says that some have come."""
COMMAND_LIMIT = 4096
"""Characters of one command that the console keeps."""


class SimulatedLine:
    """One open line. Times are those of the clocks given: virtual in a simulated run."""

    def __init__(self, line: Line, clocks: Clocks, answer: Callable[[str], str]) -> None:
        self._line, self._clocks, self._answer = line, clocks, answer
        self._character = BITS / line.baud
        self._command = bytearray()
        self._coming: deque[tuple[float, int]] = deque()
        """Characters under way to us, with the moment at which each is here."""
        self._sent = anyio.Event()
        self._closed = False

    @property
    def address(self) -> str:
        return f"{SCHEME}{self._line.name}"

    async def write(self, data: bytes) -> None:
        """Send all of it; returns when the last character has left."""
        self._refuse_closed()
        sent = 0
        for number, character in enumerate(data, start=1):
            if character in b"\r\n" or number == len(data):
                # Nothing happens before: one wait for what a line is made of.
                await self._clocks.sleep((number - sent) * self._character)
                for heard in data[sent:number]:
                    self._hear(heard)
                sent = number

    async def read(self, limit: int = 4096) -> bytes:
        """What has come in, at least one character: waits for it as long as the caller lets it."""
        while True:
            if here := self.waiting(limit):
                return here
            if self._coming:
                last = min(FIFO, limit, len(self._coming)) - 1
                await self._clocks.sleep(self._coming[last][0] - self._clocks.loop())
            else:
                await self._sent.wait()

    def waiting(self, limit: int = 4096) -> bytes:
        """What has come in already; nothing where nothing has."""
        self._refuse_closed()
        now, here = self._clocks.loop(), bytearray()
        while self._coming and len(here) < limit and self._coming[0][0] <= now:
            here.append(self._coming.popleft()[1])
        return bytes(here)

    async def aclose(self) -> None:
        """Close the line; whoever waits to read is told so."""
        self._closed = True
        self._wake()

    def _hear(self, character: int) -> None:
        """The console at the far end hears one character."""
        if character not in b"\r\n":
            if len(self._command) < COMMAND_LIMIT:
                self._command.append(character)
            return
        command, self._command = self._command.decode("ascii", "replace").strip(), bytearray()
        if not command:
            return  # LF after CR
        start = self._clocks.loop() + self._line.delay
        if self._coming:
            start = max(start, self._coming[-1][0])  # it answers one thing after the other
        for number, reply in enumerate(f"{self._answer(command)}\r\n".encode("ascii", "replace"), start=1):
            self._coming.append((start + number * self._character, reply))
        self._wake()

    def _wake(self) -> None:
        self._sent.set()
        self._sent = anyio.Event()

    def _refuse_closed(self) -> None:
        if self._closed:
            raise BenchFault("the serial line is closed", where=self.address)


class LoopedLine:
    """One open line with the bench's loop-back plug at its far end: what is sent comes back."""

    def __init__(self, line: Line, baud: int, seed: int, clocks: Clocks) -> None:
        self._line, self._character, self._clocks = line, BITS / baud, clocks
        self._source = chance(seed, "loop", line.name, f"{clocks.boot():.6f}")
        self._until_error = self._gap()
        self._back = bytearray()
        self._sent = anyio.Event()

    def _gap(self) -> float:
        """Characters until the next one that is damaged."""
        return self._source.expovariate(self._line.errors) if self._line.errors else math.inf

    async def write(self, data: bytes) -> None:
        await self._clocks.sleep(len(data) * self._character)
        came = bytearray(data)
        at = self._until_error
        while at < len(came):
            came[int(at)] ^= 1 << self._source.randrange(8)
            at += self._gap()
        self._until_error = at - len(came)
        self._back += came
        self._sent.set()
        self._sent = anyio.Event()

    async def read(self, limit: int = 4096) -> bytes:
        while not self._back:
            await self._sent.wait()
        came = bytes(self._back[:limit])
        del self._back[:limit]
        return came

    async def modem_pairs(self, settle: float) -> dict[Pair, bool]:
        """The plug ties each output to its input."""
        await self._clocks.sleep(4 * settle)
        return {pair: self._line.handshake or pair != "rts_cts" for pair in get_args(Pair)}

    async def aclose(self) -> None:
        """Nothing is to be given back."""


class LoopedLines:
    """Serves as the service `serial`: the unit's lines with the loop-back plug on whichever is opened."""

    def __init__(self, lines: tuple[Line, ...], seed: int, clocks: Clocks) -> None:
        self._lines, self._seed, self._clocks = {line.name: line for line in lines}, seed, clocks

    async def open(self, name: str, settings: LineSettings) -> LoopedLine:
        line = self._lines.get(name.removeprefix("/dev/"))
        if line is None:
            raise Absent(f"the simulated unit has no serial line {name[:100]!r}")
        return LoopedLine(line, settings.baud, self._seed, self._clocks)
