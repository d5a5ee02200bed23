"""A serial line tested end to end: a pseudo-random sequence sent, and what comes back held against it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Literal

import anyio

from verifier.errors import NotPossible, VerifierError
from verifier.gather.lines import LineSettings, TestableLine, serial_lines_of
from verifier.gather.probes.prbs import Comparator, Generator, excluded
from verifier.readings import PLAIN, Conditions, ProbeDeclaration, Reading, ReadingDeclaration
from verifier.services import Clocks, Host

CHUNK = 256
AHEAD = 1024
"""Characters that may be under way: less than a driver's buffer, so that nothing is lost for want of room."""
QUIET = 1.0
"""Seconds without a character after which what is missing does not come any more."""
SETTLE = 0.05
"""Seconds that a modem line is given to follow: far longer than adapters over USB take."""


@dataclass(frozen=True, slots=True)
class Settings:
    port: str
    """The line as the host knows it: /dev/ttyS1, /dev/ttyUSB0, socket://HOST:PORT."""
    baud: int = 115_200
    seconds: float = 5.0
    """How long to send."""
    sequence: Literal[9, 15, 23] = 15
    """Length of the sequence's register: PRBS-9, PRBS-15 or PRBS-23."""
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "rts-cts"] = "none"
    modem: bool = False
    """Whether to test the modem lines in pairs; needs a loop-back plug that joins them."""

    def __post_init__(self) -> None:
        if not 0 < len(self.port) <= 200 or not self.port.isprintable():
            raise ValueError("port is the name of a serial line, such as /dev/ttyS1")
        if not (50 <= self.baud <= 4_000_000 and 0.1 <= self.seconds <= 3600):
            raise ValueError("baud lies between 50 and 4000000, seconds between 0.1 and 3600")


def _count(name: str, what: str, *, optional: bool = False) -> ReadingDeclaration:
    return ReadingDeclaration(name=name, kind="number", unit="1", what=what, optional=optional)


class Loop:
    declaration = ProbeDeclaration(
        name="serial.loop",
        title="Serial line, end to end",
        what=(
            "Sends a pseudo-random sequence over a serial line and holds what comes back against it, over a "
            "loop-back plug or a far end that echoes (verifier peer --serial). Counts wrong bits, and slips: "
            "places where characters were lost or came twice. Without a single wrong bit it tells which "
            "bit-error rate is excluded: only the length of the test decides that."
        ),
        settings=Settings,
        readings=(
            ReadingDeclaration(
                name="in_step",
                kind="yes-no",
                what="Whether what came at the end fitted the sequence; no also when nothing came.",
            ),
            _count("sent", "Characters sent."),
            _count("received", "Characters that came back."),
            _count("bits", "Bits compared."),
            _count("bit_errors", "Wrong bits among them."),
            _count("slips", "Places where characters were lost or came twice."),
            _count("lost", "Characters lost: at slips, and those missing at the end."),
            _count("added", "Characters too many."),
            _count("resyncs", "How often the sequence had to be found again."),
            _count("error_rate", "Wrong bits over bits compared.", optional=True),
            _count(
                "excluded_ber",
                "The bit-error rate that this test excludes at 95 %; missing when nothing was compared.",
                optional=True,
            ),
            ReadingDeclaration(
                name="modem_lines", kind="text", what="available, or not available; when asked for.", optional=True
            ),
            *(
                ReadingDeclaration(
                    name=name, kind="yes-no", what=f"Whether {input_} followed {output}.", optional=True
                )
                for name, output, input_ in (
                    ("rts_cts", "RTS", "CTS"),
                    ("dtr_dsr", "DTR", "DSR"),
                    ("dtr_dcd", "DTR", "DCD"),
                    ("dtr_ri", "DTR", "RI"),
                )
            ),
        ),
        services=("serial",),
        privileges=("access to the port: on Debian, the group dialout",),
        sources=(
            "ITU-T O.150, 5.1, 5.3 and 5.6 (sequences)",
            "Garwood, Biometrika 28 (1936) 437 (Poisson bounds); without errors -ln 0.05 / n, the 3/BER rule",
            "Linux tty_ioctl(4) (modem lines)",
        ),
        example="""\
[[checks]]
id = "printer-port"
title = "Ticket printer port, loop-back plug fitted"
probe = "serial.loop"
settings = { port = "/dev/ttyS1", baud = 115200, seconds = 30.0, modem = true }
covers = ["serial-1"]
timeout = "60 s"
limits = [
  { reading = "in_step", is = true, source = "judgement" },
  { reading = "bit_errors", at_most = 0, source = "a sound line over a plug has none; judgement" },
  { reading = "slips", at_most = 0, source = "a sound line over a plug has none; judgement" },
  { reading = "excluded_ber", at_most = 0.00001, source = "judgement" },
  { reading = "rts_cts", is = true, source = "maker, hardware flow control" },
]
""",
        lasts=lambda settings: settings.seconds,
        timeout=60.0,
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Reading]:
        """Raises Absent without such a line, NotPossible where it may not be used, BenchFault when it is lost."""
        lines = serial_lines_of(host)
        line = await lines.open(
            settings.port,
            LineSettings(
                baud=settings.baud, parity=settings.parity, stop_bits=settings.stop_bits, flow=settings.flow
            ),
        )
        origin = f"{settings.port} at {settings.baud} baud, PRBS-{settings.sequence}"
        try:
            if settings.modem:
                async for reading in _modem(line, settings.port):
                    yield reading
            run = _Run(line, host.clocks, settings)
            await run.work()
        except ExceptionGroup as several:
            raise _fault_in(several) from None
        finally:
            with anyio.CancelScope(shield=True):
                await line.aclose()
        for reading in run.readings(origin):
            yield reading


def _fault_in(several: ExceptionGroup[Exception]) -> Exception:
    """What a task met, out of its group: the line is lost for the sender and the receiver alike."""
    faults = several.subgroup(VerifierError)
    first: Exception = (faults or several).exceptions[0]
    return _fault_in(first) if isinstance(first, ExceptionGroup) else first


async def _modem(line: TestableLine, origin: str) -> AsyncIterator[Reading]:
    try:
        pairs = await line.modem_pairs(SETTLE)
    except NotPossible:
        yield Reading(name="modem_lines", value="not available", origin=origin, exact=True)
        return
    yield Reading(name="modem_lines", value="available", origin=origin, exact=True)
    for name, follows in pairs.items():
        yield Reading(name=name, value=follows, origin=origin, exact=True)


class _Run:
    """One test of an open line. Little is under way at a time, and the sender waits for it."""

    def __init__(self, line: TestableLine, clocks: Clocks, settings: Settings) -> None:
        self._line, self._clocks, self._settings = line, clocks, settings
        self._comparator = Comparator(settings.sequence)
        self._generator = Generator(settings.sequence)
        self._sent = self._received = self._given_up = 0
        self._came = anyio.Event()

    @property
    def _under_way(self) -> int:
        return self._sent - max(self._comparator.reached, self._given_up)

    @property
    def _flooded(self) -> bool:
        """Far more came than was sent: somebody else talks on this line."""
        return self._received > 2 * self._sent + 65_536

    async def work(self) -> None:
        await self._drain()
        async with anyio.create_task_group() as group:
            group.start_soon(self._receive)
            until = self._clocks.loop() + self._settings.seconds
            while self._clocks.loop() < until and not self._flooded:
                if self._under_way >= AHEAD:
                    await self._wait()
                else:
                    await self._line.write(self._generator.at(self._sent, CHUNK))
                    self._sent += CHUNK
            while self._under_way > 0 and not self._flooded:
                await self._wait()
            group.cancel_scope.cancel()
        self._comparator.finish()

    async def _drain(self) -> None:
        """Whatever an earlier user left on the line."""
        until = self._clocks.loop() + 1.0
        while self._clocks.loop() < until:
            with anyio.move_on_after(0.2) as scope:
                await self._line.read()
            if scope.cancelled_caught:
                return

    async def _wait(self) -> None:
        """Until something comes. What has not come for a while does not come any more."""
        with anyio.move_on_after(QUIET) as scope:
            await self._came.wait()
        if scope.cancelled_caught:
            self._given_up = self._sent

    async def _receive(self) -> None:
        while not self._flooded:
            data = await self._line.read()
            self._received += len(data)
            self._comparator.take(data)
            self._came.set()
            self._came = anyio.Event()

    def readings(self, origin: str) -> list[Reading]:
        tally = self._comparator.tally
        at_end = max(0, self._sent - self._comparator.position)
        counts = {
            "sent": self._sent,
            "received": self._received,
            "bits": tally.bits,
            "bit_errors": tally.errors,
            "slips": tally.slips,
            "lost": tally.lost + at_end,
            "added": tally.added,
            "resyncs": tally.resyncs,
        }
        most = excluded(tally.bits, tally.errors) if tally.bits else 0.0
        said = PLAIN
        if tally.bits and not tally.errors:
            said = Conditions(remark=f"more than 1 wrong bit in {int(1 / most)} is excluded at 95 %")
        found = [
            Reading(
                name=name,
                value=value,
                unit="1",
                origin=origin,
                exact=True,
                conditions=said if name == "bit_errors" else PLAIN,
            )
            for name, value in counts.items()
        ]
        in_step = self._comparator.in_step and tally.bits > 0
        found.append(Reading(name="in_step", value=in_step, origin=origin, exact=True))
        if tally.bits:
            rate = tally.errors / tally.bits
            found.append(Reading(name="error_rate", value=rate, unit="1", origin=origin, exact=True))
            found.append(Reading(name="excluded_ber", value=most, unit="1", origin=origin, exact=True))
        return found
