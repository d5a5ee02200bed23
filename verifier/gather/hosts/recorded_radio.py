"""What a radio said when a tree was recorded: the file `radio.json` in it.

    {"interfaces": [{"name": "wlan0", "kind": "station", "network": "bench-reference", "antennas": 2}],
     "stations": {"wlan0": [{"address": "02:00:5e:00:00:01", "level": -45, "chains": {"0": -48, "1": -48}}]}}

The keys are those of `RadioInterface` and `RadioStation`. A recording stands still: nothing in it can be watched.
"""

from __future__ import annotations

from contextlib import AbstractAsyncContextManager
from typing import Any

from verifier.errors import Absent, NotPossible
from verifier.gather.radio import Advertisement, RadioInterface, RadioNetwork, RadioStation, RadioWatch

MOST = 1000
_WHOLE = ("level", "level_average", "retries", "failed", "beacons_lost", "connected", "silent")


class RecordedRadio:
    """ValueError says what is wrong with `told`, the file's contents."""

    def __init__(self, told: Any) -> None:
        match told:
            case {"interfaces": list(interfaces), "stations": dict(stations), **rest} if not rest:
                self._interfaces = [_interface(one) for one in interfaces[:MOST]]
                self._stations = {name: _stations(some) for name, some in stations.items()}
            case _:
                raise ValueError('does not hold "interfaces" (a list) and "stations" (lists by interface)')

    async def interfaces(self) -> list[RadioInterface]:
        return list(self._interfaces)

    async def stations(self, interface: str) -> list[RadioStation]:
        if all(one.name != interface for one in self._interfaces):
            raise Absent(f"there is no wireless interface {interface[:50]}")
        return list(self._stations.get(interface, ()))

    async def scan(self, interface: str) -> list[RadioNetwork]:
        raise _still()

    def watch(self, interface: str) -> AbstractAsyncContextManager[RadioWatch]:
        raise _still()

    async def advertisements(self, adapter: str, seconds: float) -> list[Advertisement]:
        raise _still()


def _still() -> NotPossible:
    return NotPossible("a recorded tree stands still: its radio cannot listen or be watched over recorded")


def _interface(told: Any) -> RadioInterface:
    match told:
        case {"name": str(name), "kind": str(kind)}:
            rest: dict[str, Any] = told
            network = rest.get("network", "")
            if isinstance(network, str):
                return RadioInterface(
                    name=name[:15],
                    kind=kind[:50],
                    network=network.encode("utf-8", "replace")[:32],
                    frequency=_whole(rest, "frequency"),
                    antennas=_whole(rest, "antennas"),
                )
    raise ValueError("has an interface without a name and a kind")


def _stations(told: Any) -> list[RadioStation]:
    if not isinstance(told, list):
        raise ValueError("has stations that are no list")
    return [_station(one) for one in told[:MOST]]


def _station(told: Any) -> RadioStation:
    match told:
        case {"address": str(address)} if len(address) == 17:
            chains = told.get("chains", {})
            if isinstance(chains, dict) and all(name.isdigit() and len(name) < 3 for name in chains):
                levels = {int(name): level for name in chains if (level := _whole(chains, name)) is not None}
                numbers: dict[str, Any] = {name: _whole(told, name) for name in _WHOLE}
                return RadioStation(address=address.lower(), chains=levels, **numbers)
    raise ValueError("has a station without an address, or with chains that have no number")


def _whole(told: dict[str, Any], name: str) -> int | None:
    value = told.get(name)
    if value is None or (isinstance(value, int) and not isinstance(value, bool) and abs(value) < 2**31):
        return value
    raise ValueError(f"gives {name} as {value!r:.40}, which is no whole number")
