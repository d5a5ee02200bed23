"""What a host offers to a probe: plain protocols, standard library only.

Every `Host` has files, commands and clocks. What it has beyond them stands below it, service by service: the
protocol, a host that offers it (`OffersNet`), and how a probe asks for it (`net_of`), which refuses in words where
the host has none. A reading never silently comes from another machine.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from verifier.errors import NotPossible
from verifier.readings import Contribution


class Files(Protocol):
    """Files of the host. Paths are absolute, as the host sees them; reads are bounded.

    Raise `FileNotFoundError`, `PermissionError` or another `OSError` with its errno, as the host would.
    """

    async def read(self, path: str, limit: int = 65_536) -> bytes: ...

    async def names(self, path: str) -> list[str]:
        """Sorted names in a folder."""
        ...

    async def real_path(self, path: str) -> str:
        """The path with every symbolic link followed; FileNotFoundError where it leads nowhere."""
        ...

    async def exists(self, path: str) -> bool: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandResult:
    argv: tuple[str, ...]
    exit: int
    stdout: str


class Commands(Protocol):
    """Commands of the host. A command that is not there raises `Absent`."""

    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult: ...


class Clocks(Protocol):
    """The only way to time for engine and probes; simulated runs jump."""

    def loop(self) -> float:
        """Monotonic seconds of the event loop, for short durations."""
        ...

    def boot(self) -> float:
        """CLOCK_BOOTTIME in seconds: goes on while the machine sleeps."""
        ...

    def boot_id(self) -> str: ...

    def wall(self) -> float:
        """Seconds since 1970-01-01 UTC, for people; never used for durations."""
        ...

    async def sleep(self, seconds: float) -> None: ...


class Host(Protocol):
    """Where a probe reads. `services` names what it really has; a probe that needs more is not run."""

    @property
    def address(self) -> str:
        """As given with --at: local, recorded:DIR, ..."""
        ...

    @property
    def services(self) -> frozenset[str]: ...

    @property
    def files(self) -> Files: ...

    @property
    def commands(self) -> Commands: ...

    @property
    def clocks(self) -> Clocks: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One datagram sent and the answer to it, with the sender's own system time at both."""

    answer: bytes
    sent: float
    """Seconds since 1970-01-01 UTC by the host's own clock, just before it was sent."""
    received: float
    """The same, just after the answer came."""


class Net(Protocol):
    """The network as the host itself sees it (service `net`). Addresses are numbers, as `resolve` gives them.

    Times are in seconds; None stands for "no answer in time". NotPossible where the host does not allow it.
    """

    async def resolve(self, name: str) -> str:
        """The address behind a name, or the address itself; NotPossible when there is none."""
        ...

    async def echo(self, address: str, sequence: int, timeout: float) -> float | None:
        """Round-trip time of one ICMP echo request (RFC 792, RFC 4443)."""
        ...

    async def connect(self, address: str, port: int, timeout: float) -> float | None:
        """Time until a TCP connection was accepted or refused: either is an answer of the far end."""
        ...

    async def exchange(self, address: str, port: int, datagram: bytes, timeout: float) -> Exchange | None:
        """Send one UDP datagram and wait for one from the same address and port."""
        ...


@runtime_checkable
class OffersNet(Protocol):
    """A host with the service `net`."""

    @property
    def net(self) -> Net: ...


def net_of(host: Host) -> Net:
    """The network of a host; NotPossible where it does not offer one."""
    if "net" in host.services and isinstance(host, OffersNet):
        return host.net
    raise NotPossible(f"{host.address} offers no network to probe from")


class UnitClock(Protocol):
    """The host's own clocks (service `clock`), which are not the bench's."""

    def wall(self) -> float:
        """The host's system time: seconds since 1970-01-01 UTC."""
        ...

    async def rtc_flags(self, name: str) -> int:
        """Voltage flags of a real-time clock such as rtc0: ioctl RTC_VL_READ, include/uapi/linux/rtc.h.

        Absent when there is no such clock; NotPossible where its driver has no flags.
        """
        ...


@runtime_checkable
class OffersClock(Protocol):
    """A host with the service `clock`."""

    @property
    def clock(self) -> UnitClock: ...


def clock_of(host: Host) -> UnitClock | None:
    """The host's own clocks; None where it does not offer them."""
    return host.clock if "clock" in host.services and isinstance(host, OffersClock) else None


@runtime_checkable
class TellsDiscipline(Protocol):
    """A host's clock that says whether anybody keeps it right."""

    def disciplined(self) -> bool | None:
        """Whether network time or the like keeps the system time right; None where nobody knows."""
        ...


def keeps_time(clock: UnitClock) -> bool | None:
    """Whether the host's system keeps its own time right, and so sets its real-time clock; None: not known."""
    return clock.disciplined() if isinstance(clock, TellsDiscipline) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fix:
    """What the time was at one moment of the loop clock, by a reference that is not the unit's."""

    at: float
    """The moment, in seconds of the host's loop clock."""
    time: float
    """Seconds since 1970-01-01 UTC."""
    contributions: tuple[Contribution, ...]
    """Its uncertainty, in seconds."""
    origin: str


class TimeReferences(Protocol):
    """The bench's own ways to the time, whatever host is read (service `reference`).

    They count by the loop clock, so that nobody who sets this computer's clock shows in them. NotPossible where
    one cannot be reached, BenchFault where it gives nothing that can be used.
    """

    async def network(self, server: str, port: int) -> Fix:
        """By a time server (SNTP)."""
        ...

    async def peer(self, name: str) -> Fix:
        """By the far end that the station is paired with under that name."""
        ...


@runtime_checkable
class OffersReference(Protocol):
    """A host with the service `reference`."""

    @property
    def reference(self) -> TimeReferences: ...


def reference_of(host: Host) -> TimeReferences:
    """The bench's ways to the time beside a host; NotPossible where there is no bench."""
    if "reference" in host.services and isinstance(host, OffersReference):
        return host.reference
    raise NotPossible(f"there is no clock of a bench beside {host.address}")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyEvent:
    """One change of one key, as the kernel reports it (include/uapi/linux/input.h)."""

    device: str
    """Event device, such as event3."""
    code: int
    value: int
    """1 pressed, 0 let go, 2 repeated while it is held."""
    at: float
    """Seconds of the kernel's own stamp: only differences within one device mean something."""
    seen: float
    """Seconds of the host's loop clock when it was read."""


class KeyWatch(Protocol):
    """Key events as they come."""

    @property
    def held_back(self) -> str:
        """What keeps the system from acting on these keys meanwhile; empty where nothing does."""
        ...

    @property
    def down(self) -> bool:
        """Whether a key was already down when the watch began."""
        ...

    async def next(self, timeout: float) -> KeyEvent | None:
        """The next event; None when there is none within `timeout` seconds. BenchFault when some were lost."""
        ...


class Buttons(Protocol):
    """The host's own keys and buttons (service `buttons`)."""

    def watch(self, devices: Sequence[str], codes: frozenset[int]) -> AbstractAsyncContextManager[KeyWatch]:
        """Watch some keys of event devices such as event3; Absent when one is gone."""
        ...


@runtime_checkable
class OffersButtons(Protocol):
    """A host with the service `buttons`."""

    @property
    def buttons(self) -> Buttons: ...


def buttons_of(host: Host) -> Buttons:
    """The buttons of a host; NotPossible where it does not offer any."""
    if "buttons" in host.services and isinstance(host, OffersButtons):
        return host.buttons
    raise NotPossible(f"{host.address} offers no buttons to watch")


@dataclass(frozen=True, slots=True, kw_only=True)
class InputEvent:
    """One event of an input device, as the kernel reports it (include/uapi/linux/input.h)."""

    kind: int
    """EV_SYN, EV_KEY, EV_ABS, ... of input-event-codes.h."""
    code: int
    value: int
    at: float
    """Seconds of the kernel's own stamp: only differences within one recording mean something."""


class Input(Protocol):
    """What an input device of the host reports, taken down for a while (service `input`)."""

    async def axis(self, device: str, code: int) -> tuple[int, int] | None:
        """Least and greatest value of an axis of a device such as event3; None where the host cannot say."""
        ...

    async def record(self, device: str, seconds: float) -> tuple[InputEvent, ...]:
        """All that it reports within so many seconds. Absent when it is gone, BenchFault when some were lost."""
        ...


@runtime_checkable
class OffersInput(Protocol):
    """A host with the service `input`."""

    @property
    def input(self) -> Input: ...


def input_of(host: Host) -> Input:
    """The input devices of a host; NotPossible where it does not offer any."""
    if "input" in host.services and isinstance(host, OffersInput):
        return host.input
    raise NotPossible(f"{host.address} offers no input devices to listen to")


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """What went over a connection, and in what time at the most."""

    octets: int
    seconds: float


class Bulk(Protocol):
    """Much data over the connection by which the host is read (service `bulk`)."""

    async def carry(self, way: Literal["up", "down"], seconds: float) -> Carried:
        """As much as goes in so many seconds, from the host (up) or to it (down). BenchFault if it breaks off."""
        ...


@runtime_checkable
class OffersBulk(Protocol):
    """A host with the service `bulk`."""

    @property
    def bulk(self) -> Bulk: ...


def bulk_of(host: Host) -> Bulk:
    """What carries much data to and from a host; NotPossible where it does not offer that."""
    if "bulk" in host.services and isinstance(host, OffersBulk):
        return host.bulk
    raise NotPossible(f"{host.address} is not read over a connection that could carry a load")


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundTrip:
    """What came of writing to a test medium and reading it back."""

    medium: str
    """What the medium calls itself."""
    identical: bool = False
    """Whether what was read is what was written."""
    sha256: str = ""
    """Of what was written."""
    write_seconds: float = 0.0
    read_seconds: float = 0.0
    past_cache: bool = False
    """Whether it was read past the page cache; else the kernel was only asked to drop what it held."""
    fault: str = ""
    """What the system said where writing or reading broke off."""


class Media(Protocol):
    """Test media of the station, mounted on the host (service `media`)."""

    async def round_trip(self, mount: str, device: tuple[int, int], size: int, seed: int) -> RoundTrip:
        """Write `size` bytes to a new file below the folder `mount`, flush, read back, remove.

        `device` is the block device (major, minor) that it has to be on. NotPossible where it is not, where
        there is no room, or where the medium does not carry the marker of a test medium.
        """
        ...


@runtime_checkable
class OffersMedia(Protocol):
    """A host with the service `media`."""

    @property
    def media(self) -> Media: ...


def media_of(host: Host) -> Media:
    """The test media of a host; NotPossible where it does not offer any."""
    if "media" in host.services and isinstance(host, OffersMedia):
        return host.media
    raise NotPossible(f"{host.address} offers no media to write to")


LEASE = 30.0
"""Seconds after which a load on the far side of a link goes off by itself, unless it is renewed."""


class Load(Protocol):
    """Work that heats the host's processor (service `load`). It ends by itself, whatever becomes of who began it.

    Not a safety function: it bounds how long, not how hot.
    """

    async def start(self, seconds: float) -> str:
        """Load every core for so long at the most; says in words what does. NotPossible where it cannot."""
        ...

    async def renew(self) -> None:
        """To be called at least every half `LEASE` while the load is to last."""
        ...

    async def stop(self) -> None:
        """End it at once; nothing where there is none."""
        ...


@runtime_checkable
class OffersLoad(Protocol):
    """A host with the service `load`."""

    @property
    def load(self) -> Load: ...


def load_of(host: Host) -> Load:
    """The load of a host; NotPossible where it does not offer one."""
    if "load" in host.services and isinstance(host, OffersLoad):
        return host.load
    raise NotPossible(f"{host.address} offers no load to heat it with")


class Console(Protocol):
    """The serial console of a unit (service `console`): one command, one line in answer."""

    async def ask(self, command: str) -> str:
        """The line that answers `command`, printable ASCII without its ending.

        BenchFault names the command and what came instead: an error reply, an echo, garbage, part of a line,
        nothing in time.
        """
        ...


@runtime_checkable
class OffersConsole(Protocol):
    """A host with the service `console`."""

    @property
    def console(self) -> Console: ...


def console_of(host: Host) -> Console:
    """The serial console of a host; NotPossible where it does not offer one."""
    if "console" in host.services and isinstance(host, OffersConsole):
        return host.console
    raise NotPossible(f"{host.address} offers no serial console")


@runtime_checkable
class Seeded(Protocol):
    """A host whose chance is its run's: a simulated unit."""

    @property
    def seed(self) -> int: ...


def chance_of(host: Host, what: str) -> random.Random:
    """Where a probe draws what nobody is to foresee: from the operating system; behind a simulated unit from the
    run's seed and a name for what is drawn, so that it can be run again. Repeats then draw the same."""
    if isinstance(host, Seeded):
        return random.Random(f"{host.seed}/{what}")  # noqa: S311 - a simulation
    return random.SystemRandom()


class SerialLine(Protocol):
    """An open serial line, real or simulated."""

    async def write(self, data: bytes) -> None: ...

    async def read(self, limit: int = 4096) -> bytes:
        """At least one byte; waits for it as long as the caller lets it."""
        ...

    async def aclose(self) -> None: ...
