"""This computer's own radios: nl80211 for wireless networks, the management socket for Bluetooth."""

from __future__ import annotations

import errno
from collections import deque
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from typing import TYPE_CHECKING, Any

import anyio

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.hosts.generic_netlink import Family, Line, Refusal, netlink_line
from verifier.gather.radio import Advertisement, RadioEvent, RadioInterface, RadioNetwork, RadioStation, RadioWatch
from verifier.services import Clocks

if TYPE_CHECKING:
    from verifier.gather.hosts.radio_messages import Attributes

SCAN_SECONDS = 20.0
"""Longest that a scan of all channels may take, and that another program's scan is waited for."""
_AGAIN = 0.25
_ERFKILL = 132
_PRIVILEGE = "scanning needs CAP_NET_ADMIN (run as root)"


class LocalRadio:
    def __init__(self, clocks: Clocks, line: Callable[[], Line] = netlink_line) -> None:
        self._clocks, self._line = clocks, line

    @asynccontextmanager
    async def _family(self) -> AsyncIterator[Family]:
        from verifier.gather.hosts.radio_messages import Nl80211Message

        line = self._line()
        try:
            family = Family(line, "nl80211", Nl80211Message)
            try:
                await family.find()
            except Absent as error:
                raise Absent(f"this host has no wireless interface: {error.what}") from None
            yield family
        finally:
            line.close()

    async def interfaces(self) -> list[RadioInterface]:
        try:
            async with self._family() as family:
                return [interface for interface, _ in await _interfaces(family)]
        except Absent:
            return []  # a kernel without wireless networking has no such interface

    async def stations(self, interface: str) -> list[RadioStation]:
        from verifier.gather.hosts.radio_messages import GET_STATION, attributes, station_of

        async with self._family() as family:
            index = await _index(family, interface)
            said = await _asked(family, interface, GET_STATION, index, dump=True)
            return [one for message in said if (one := station_of(attributes(message))) is not None]

    async def scan(self, interface: str) -> list[RadioNetwork]:
        from verifier.gather.hosts.radio_messages import GET_SCAN, attributes, network_of

        async with self._family() as family:
            index = await _index(family, interface)
            await self._scanned(family, interface, index)
            said = await _asked(family, interface, GET_SCAN, index, dump=True)
            return [one for message in said if (one := network_of(attributes(message))) is not None]

    async def _scanned(self, family: Family, interface: str, index: int) -> None:
        from verifier.gather.hosts.radio_messages import NEW_SCAN_RESULTS, SCAN_ABORTED, TRIGGER_SCAN

        family.join("scan")
        any_network = [["SCAN_SSIDS", [b""]]]
        with anyio.move_on_after(SCAN_SECONDS):
            while True:
                try:
                    await family.ask(TRIGGER_SCAN, [["IFINDEX", index], *any_network])
                    break
                except Refusal as error:
                    if error.number != errno.EBUSY:
                        raise _refused(error, interface) from None
                await self._clocks.sleep(_AGAIN)  # another program is scanning
            while True:
                heard = {command for command, _ in _told(await family.events(), index)}
                if SCAN_ABORTED in heard:
                    raise BenchFault(f"the scan of {interface} was broken off by its driver or another program")
                if NEW_SCAN_RESULTS in heard:
                    return
        raise BenchFault(f"{interface} did not end its scan within {SCAN_SECONDS:g} s, or others kept it busy")

    def watch(self, interface: str) -> AbstractAsyncContextManager[RadioWatch]:
        return self._watching(interface)

    @asynccontextmanager
    async def _watching(self, interface: str) -> AsyncIterator[RadioWatch]:
        async with self._family() as family:
            index = await _index(family, interface)
            family.join("mlme")
            yield _Watch(self._clocks, family, index)

    async def advertisements(self, adapter: str, seconds: float) -> list[Advertisement]:
        from verifier.gather.hosts.local_bluetooth import advertisements

        return await advertisements(adapter, seconds)


class _Watch:
    def __init__(self, clocks: Clocks, family: Family, index: int) -> None:
        self._clocks, self._family, self._index = clocks, family, index
        self._waiting: deque[RadioEvent] = deque()

    async def next(self, timeout: float) -> RadioEvent | None:
        with anyio.move_on_after(max(0.0, timeout)):
            while not self._waiting:
                for command, found in _told(await self._family.events(), self._index):
                    if (event := _event(command, found, self._clocks.loop())) is not None:
                        self._waiting.append(event)
        return self._waiting.popleft() if self._waiting else None


def _event(command: int, found: Attributes, at: float) -> RadioEvent | None:
    from verifier.gather.hosts.radio_messages import CONNECT, DISCONNECT, ROAM, whole

    if command == CONNECT:
        return None if whole(found, "STATUS_CODE") else RadioEvent(kind="connected", at=at)
    if command == ROAM:
        return RadioEvent(kind="moved", at=at)
    if command == DISCONNECT:
        return RadioEvent(kind="lost", at=at, by_far_end="DISCONNECTED_BY_AP" in found)
    return None


def _told(messages: list[Any], index: int) -> list[tuple[int, Attributes]]:
    from verifier.gather.hosts.radio_messages import attributes, whole

    told = [(message["cmd"], attributes(message)) for message in messages]
    return [(command, found) for command, found in told if whole(found, "IFINDEX") == index]


async def _interfaces(family: Family) -> list[tuple[RadioInterface, int]]:
    """Each with its index."""
    from verifier.gather.hosts.radio_messages import GET_INTERFACE, GET_WIPHY, attributes, interface_of, whole

    try:
        radios = await family.ask(GET_WIPHY, [["SPLIT_WIPHY_DUMP", True]], dump=True)
        told = await family.ask(GET_INTERFACE, dump=True)
    except Refusal as error:
        raise NotPossible(f"the kernel does not tell its wireless interfaces: {error}") from None
    antennas: dict[int, int] = {}
    for message in radios:
        found = attributes(message)
        radio, mask = whole(found, "WIPHY"), whole(found, "WIPHY_ANTENNA_AVAIL_RX")
        if radio is not None and mask:
            antennas[radio] = mask.bit_count()
    interfaces: list[tuple[RadioInterface, int]] = []
    for message in told:
        found = attributes(message)
        interface = interface_of(found, antennas.get(whole(found, "WIPHY") or 0))
        index = whole(found, "IFINDEX")
        if interface is not None and index is not None:
            interfaces.append((interface, index))
    return sorted(interfaces, key=lambda pair: pair[0].name)


async def _index(family: Family, interface: str) -> int:
    for known, index in await _interfaces(family):
        if known.name == interface:
            return index
    raise Absent(f"there is no wireless interface {interface}")


async def _asked(family: Family, interface: str, command: int, index: int, *, dump: bool) -> list[Any]:
    try:
        return await family.ask(command, [["IFINDEX", index]], dump=dump)
    except Refusal as error:
        raise _refused(error, interface) from None


def _refused(error: Refusal, interface: str) -> Exception:
    match error.number:
        case errno.ENODEV | errno.ENOENT:
            return Absent(f"the wireless interface {interface} is gone")
        case errno.EPERM | errno.EACCES:
            return NotPossible(_PRIVILEGE)
        case errno.ENETDOWN:
            return NotPossible(
                f"{interface} is switched off", to_do=f"Switch it on: `ip link set {interface} up`."
            )
        case errno.EOPNOTSUPP:
            return NotPossible(f"the driver of {interface} cannot do this")
        case n if n == _ERFKILL:
            return NotPossible(f"the radio of {interface} is blocked by its switch or by software (rfkill)")
    return BenchFault(f"the kernel refused a question about {interface}: {error}")
