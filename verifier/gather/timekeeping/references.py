"""What the time is by a reference that is not the unit's: settings that several probes share, how it is asked."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from verifier.errors import BenchFault
from verifier.gather.peer.pairings import valid_name
from verifier.readings import Basis, Contribution
from verifier.services import Fix, Host, reference_of
from verifier.steps import MINUTE, Ask, Consult, Cue, Step

USUAL = {"network": 0.010, "peer": 0.002, "instrument": 0.005, "key": 0.5}
"""Firm bounds in s of one reading of each kind of reference, for planning; of a key also for judging."""
LOOK = 0.010
"""The same of one look at the unit's clock."""
MISTYPED = 30.0
"""Seconds off this computer's own clock from which on a minute is asked for again: the one before or after it was
meant, or the offset was left out. The second answer counts."""
_MARK = r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01]) ([01]\d|2[0-3]):[0-5]\d( [+-](0\d|1[0-4]):[0-5]\d)?"
"""What is typed at a minute mark."""


@dataclass(frozen=True, kw_only=True)
class ClockSettings:
    reference: Literal["network", "peer", "instrument", "key"] = "network"
    """What the clock is held against: network is a time server; peer is the far end that the bench is paired with;
    instrument is a clock of the bench; key is a key that the technician presses at a full minute."""
    server: str = ""
    """With network: name or address of the time server that the bench trusts."""
    port: int = 123
    """With network: its port."""
    peer: str = "bench"
    """With peer: the name under which the station is paired with it."""
    instrument: str = ""
    """With instrument: the clock of the bench, by the name of its file; it measures the quantity time."""
    reference_within: float = 0.0
    """Firm bounds of one reading of the reference in s, for planning; with key also for judging. 0 takes what is
    usual: 0.01 network, 0.002 peer, 0.005 instrument, 0.5 key."""
    look_within: float = 0.0
    """Firm bounds of one look at the unit's clock in s, for planning; 0 takes 0.01."""
    clock: str = "rtc0"
    """Which real-time clock, as the kernel calls it."""
    send: str = "TIME?"
    """Over a console: the command that is answered by the unit's time, YYYY-MM-DD hh:mm:ss in UTC."""

    def __post_init__(self) -> None:
        if not re.fullmatch(r"rtc\d{1,3}", self.clock):
            raise ValueError(f"{self.clock!r} is no real-time clock, such as rtc0")
        if not (self.send.isascii() and self.send.isprintable() and 0 < len(self.send.strip()) <= 200):
            raise ValueError("a command is one line of at most 200 plain ASCII characters")
        if not (len(self.server) <= 253 and self.server.isprintable() and " " not in self.server):
            raise ValueError("server is the name or address of a time server")
        if not 1 <= self.port <= 65_535:
            raise ValueError("port lies between 1 and 65535")
        valid_name(self.peer)
        if self.reference == "network" and not self.server:
            raise ValueError('reference = "network" needs server, the name or address of a time server')
        if self.reference == "instrument" and not self.instrument:
            raise ValueError('reference = "instrument" needs instrument, the clock of the bench')
        if not (0 <= self.reference_within <= 60 and 0 <= self.look_within <= 60):
            raise ValueError("reference_within and look_within lie between 0 and 60 s")

    @property
    def reference_bounds(self) -> float:
        return self.reference_within or USUAL[self.reference]

    @property
    def look_bounds(self) -> float:
        return self.look_within or LOOK


async def true_time(host: Host, settings: ClockSettings, into: list[Fix]) -> AsyncIterator[Step]:
    """Ask the reference, and append what it says to `into`; yields what that takes of technician or bench."""
    match settings.reference:
        case "network":
            into.append(await reference_of(host).network(settings.server, settings.port))
        case "peer":
            into.append(await reference_of(host).peer(settings.peer))
        case "instrument":
            consult = Consult(probe="instrument.time", instrument=settings.instrument)
            yield consult
            given, boot = consult.given, consult.boot
            if given is None or boot is None or isinstance(given.value, bool | str):
                raise BenchFault(f"{settings.instrument} gives no time")
            at = host.clocks.loop() - (host.clocks.boot() - boot)
            time, known = float(given.value), given.contributions
            into.append(Fix(at=at, time=time, contributions=known, origin=given.origin))
        case "key":
            yield Cue(
                say="Watch a clock that is right. Press Enter when its seconds turn to 00.",
                wait=True,
                act="minute mark",
            )
            at, own = host.clocks.loop(), host.clocks.wall()
            mark = _which_minute()
            yield mark
            if abs(_minute(mark.answer) - own) > MISTYPED:
                mark = _which_minute(f"This computer's own clock, which may be wrong, says {_spoken(own)}. ")
                yield mark
            reaction = Contribution.half_width(
                settings.reference_bounds, basis=Basis.STATEMENT, note="a key pressed at a minute mark"
            )
            origin = "key at a minute mark of a clock that the technician trusts"
            into.append(Fix(at=at, time=_minute(mark.answer), contributions=(reaction,), origin=origin))


def _which_minute(first: str = "") -> Ask:
    return Ask(
        say=f"{first}Which minute began when you pressed?",
        pattern=_MARK,
        hint="YYYY-MM-DD hh:mm in UTC, or with the offset, as 2026-11-25 14:37 +01:00",
        about=MINUTE,
    )


def _spoken(seconds: float) -> str:
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M:%S} UTC"


def _minute(text: str) -> float:
    try:
        typed = datetime.fromisoformat(text.replace(" +", "+").replace(" -", "-"))
    except ValueError:
        raise BenchFault(f"{text[:40]} is no minute that exists") from None
    return (typed if typed.tzinfo else typed.replace(tzinfo=UTC)).timestamp()
