"""A unit behind a serial console (`--at serial:PORT`): one command, one line in answer.

1. One exchange at a time; what came in uncalled before it is thrown away.
2. After an exchange that went wrong, the line must first fall silent: a late answer never counts for another
   command.
3. A reply is one line of printable ASCII, whole and in time. An error reply, an echo that nobody expects,
   garbage, part of a line or nothing at all is a BenchFault that names the command.
4. The suite's safe commands are sent when the line is opened (so also when a run is resumed) and before it is
   closed.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import Protocol

import anyio

from verifier.declare.patterns import compiled
from verifier.declare.suite import Console
from verifier.errors import BenchFault, HostError, InputError, NotPossible, Refused
from verifier.gather.hosts.serial_port import SerialPort, check_port
from verifier.services import Clocks, Commands, Files, TimeReferences

KIND = "serial"
REPLY_LIMIT = 1000
"""Characters of one reply."""
NOISE_LIMIT = 1 << 16
"""Bytes that are thrown away, at the most, before a command is sent."""
QUIET = 0.2
"""Seconds of silence after which the line counts as quiet."""
CLOSING = 5.0
"""Seconds that the safe commands may take in all when the line is closed."""
_ENDINGS = {"cr-lf": b"\r\n", "cr": b"\r", "lf": b"\n"}


class Port(Protocol):
    """An open line with a console at its far end: a serial port, or a simulated one."""

    async def write(self, data: bytes) -> None: ...

    async def read(self, limit: int = 4096) -> bytes: ...

    def waiting(self, limit: int = 4096) -> bytes:
        """What has come in already; nothing where nothing has."""
        ...

    async def aclose(self) -> None: ...


class ConsoleLine:
    """The console at the far end of one serial line, opened when it is first asked and again when it was lost."""

    def __init__(
        self, port: str, settings: Console, opens: Callable[[str, Console], Awaitable[Port]] = SerialPort.open
    ) -> None:
        self._name, self._settings, self._opens = port, settings, opens
        self._ending = _ENDINGS[settings.ending]
        self._lock = anyio.Lock()
        self._port: Port | None = None
        self._sure = False
        """Whether nothing is under way that belongs to an earlier command."""

    async def open(self) -> None:
        """HostError where the line cannot be opened."""
        self._port = await self._opens(self._name, self._settings)
        self._sure = False

    async def ask(self, command: str) -> str:
        """See `readings.Console`."""
        if not (command.isascii() and command.isprintable() and 0 < len(command) <= 200):
            raise BenchFault(f"{command[:100]!r} is no command for a console: one line of plain ASCII characters")
        async with self._lock:
            if self._port is None:
                try:
                    await self.open()
                except HostError as error:
                    raise BenchFault(
                        f"the serial line {self._name} cannot be opened again: {error.what}"
                    ) from None
            try:
                return await self._exchange(command)
            except OSError as error:
                raise BenchFault(f"the serial line {self._name} failed: {error.strerror or error}") from None

    async def rest(self) -> None:
        """Send the safe commands, each whatever became of the ones before.

        What goes wrong here goes wrong again, and is told, at the check that asks. Once one was not answered well,
        the answers to the others are not waited for.
        """
        heard = True
        for command in self._settings.safe:
            try:
                if heard:
                    await self.ask(command)
                elif self._port is not None:
                    self._sure = False
                    await self._port.write(command.encode("ascii") + self._ending)
            except BenchFault as error:
                heard = isinstance(error, Refused)

    async def aclose(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            await port.aclose()

    async def _exchange(self, command: str) -> str:
        port = self._port
        assert port is not None  # noqa: S101 - opened by `ask`
        try:
            await self._hush(port)
            self._sure = False
            await port.write(command.encode("ascii") + self._ending)
            line = await self._reply(port, command)
        except BenchFault as error:
            if "was lost" in error.what:
                await self.aclose()  # an adapter that comes back has to be opened anew
            raise
        self._sure = True
        error_form = self._settings.error
        if error_form is not None and compiled(error_form).fullmatch(line):
            raise Refused(f"the unit refused “{command}”: {line}")
        return line

    async def _hush(self, port: Port) -> None:
        thrown = 0
        with anyio.move_on_after(QUIET * 10) as patience:
            while True:
                quiet = True
                while piece := port.waiting():
                    thrown, quiet = thrown + len(piece), False
                    if thrown > NOISE_LIMIT:
                        raise self._noisy()
                if self._sure and quiet:
                    return
                with anyio.move_on_after(QUIET) as silence:
                    thrown += len(await port.read())
                if silence.cancelled_caught:
                    return
                self._sure = False  # something came uncalled: wait until nothing does
        if patience.cancelled_caught:
            raise self._noisy()

    def _noisy(self) -> BenchFault:
        return BenchFault(f"the serial line {self._name} never falls silent: something sends without being asked")

    async def _reply(self, port: Port, command: str) -> str:
        came, wait = bytearray(), self._settings.wait
        echoed = not self._settings.echo
        with anyio.move_on_after(wait):
            while True:
                end = came.find(self._ending)
                if end < 0:
                    if len(came) > REPLY_LIMIT:
                        raise BenchFault(f"“{command}” was answered without end: {_shown(came)}")
                    came += await port.read()
                    continue
                line = self._plain(bytes(came[:end]), command)
                del came[: end + len(self._ending)]
                if not line:
                    continue
                if line == command.strip() and not self._settings.echo:
                    raise BenchFault(
                        f"“{command}” came back as it was sent: a loop-back plug, or the console echoes "
                        "(then the suite needs echo = true under [console])"
                    )
                if echoed:
                    return line
                if line != command.strip():
                    raise BenchFault(f"“{command}” was not echoed as the suite says; the unit sent: {line[:100]}")
                echoed = True
        if came:
            raise BenchFault(
                f"the answer to “{command}” broke off after {_shown(came)}: not whole within {wait:g} s"
            )
        raise BenchFault(f"the unit did not answer “{command}” within {wait:g} s")

    def _plain(self, raw: bytes, command: str) -> str:
        raw = raw.strip(b"\r\n")
        if len(raw) > REPLY_LIMIT or not all(0x20 <= byte < 0x7F for byte in raw):
            raise BenchFault(
                f"“{command}” was answered by what is no text ({_shown(raw)}): is it the right speed, and the "
                "right cable?"
            )
        return raw.decode("ascii").strip()


def _shown(raw: bytes | bytearray) -> str:
    text = ascii(bytes(raw[:60]))[2:-1]
    return f"“{text}{'…' if len(raw) > 60 else ''}”"


class ConsoleHost:
    """Has a console and nothing else."""

    services = frozenset({"console", "reference"})
    fingerprint = ""

    def __init__(self, port: str, settings: Console | None, clocks: Clocks) -> None:
        check_port(port)
        if settings is None:
            raise InputError(
                "the suite describes no serial console, so that nothing can be asked over one",
                where=f"--at {KIND}:{port}",
                to_do="Add a table [console] to the suite, or choose another way to reach the unit.",
            )
        self.address = f"{KIND}:{port}"
        self.clocks = clocks
        self.console = ConsoleLine(port, settings)

    @property
    def reference(self) -> TimeReferences:
        from verifier.gather.hosts.bench_time import BenchTime

        return BenchTime(self.clocks)

    @property
    def files(self) -> Files:
        raise NotPossible("a unit behind a serial console has no files to read")

    @property
    def commands(self) -> Commands:
        raise NotPossible("a unit behind a serial console runs no commands of ours")

    async def start(self) -> None:
        await self.console.open()
        await self.console.rest()

    async def aclose(self) -> None:
        with anyio.CancelScope(shield=True):
            with anyio.move_on_after(CLOSING):
                await self.console.rest()
            with suppress(OSError):
                await self.console.aclose()
