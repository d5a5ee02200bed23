"""The network of a simulated unit: its wired ports, the bench's far end behind them, and what is lost between.

TCP over a lossy link gets at the most MSS/RTT · √(3/2)/√p (Mathis and others, 1997; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from verifier.errors import Absent, NotPossible
from verifier.gather.peer.frames import FRAMING, IP, TCP_TIMESTAMPS, UDP, frame_rate, goodput_ceiling
from verifier.gather.peer.words import AddressRequest, Datagrams, Flow, FourTimes, Way
from verifier.gather.simulated.chance import chance
from verifier.gather.simulated.ethernet import Port
from verifier.gather.simulated.time_server import answered
from verifier.readings import Value
from verifier.services import Clocks, Exchange

ADDRESS = "192.0.2.1"
"""Of the far end (RFC 5737, a block for documentation)."""
MTU = 1500
EFFICIENCY = 0.985
"""Part of the ceiling that a good link reaches (invented)."""
PROCESSING = 30e-6
"""Seconds in which the far end turns a datagram round."""


class SimulatedFarEnd:
    """Serves as a far end behind one port of the unit."""

    where = f"simulated far end {ADDRESS}"
    ip_version = 4

    def __init__(self, port: Port, seed: int, clocks: Clocks) -> None:
        self._port, self._seed, self._clocks = port, seed, clocks

    @property
    def _line_rate(self) -> float:
        half = 0.5 if self._port.made_of.duplex == "half" else 1.0
        return self._port.made_of.speed * 1e6 * half

    def _varied(self, what: str, value: float, share: float) -> float:
        source = chance(self._seed, "far end", what, f"{self._clocks.boot():.6f}")
        return value * (1 + source.gauss(0.0, share))

    async def stream(self, way: Way, seconds: float) -> Flow:
        made_of = self._port.made_of
        best = goodput_ceiling(self._line_rate, mtu=MTU) * EFFICIENCY
        if made_of.loss:
            segment = 8 * (MTU - IP[4] - TCP_TIMESTAMPS)
            best = min(best, segment / made_of.round_trip * math.sqrt(1.5) / math.sqrt(made_of.loss))
        rate = max(1.0, self._varied(f"stream {way}", best, 0.002))
        await self._clocks.sleep(seconds)
        return Flow(octets=max(1, round(rate * seconds / 8)), seconds=seconds)

    async def datagrams(self, way: Way, *, payload: int, count: int, rate: float) -> Datagrams:
        frame = payload + UDP + IP[4] + FRAMING
        most = frame_rate(self._line_rate, frame)
        often = min(rate or most, most)
        source = chance(self._seed, "datagrams", way, f"{self._clocks.boot():.6f}")
        loss = self._port.made_of.loss
        lost = min(count, max(0, round(source.gauss(count * loss, math.sqrt(count * loss * (1 - loss))))))
        took = (count - 1) / often if count > 1 else 0.0
        await self._clocks.sleep(took)
        return Datagrams(
            sent=count, received=count - lost, duplicates=0, late=0, overrun=0, seconds=took,
            jitter=abs(source.gauss(0.0, 20e-6)),
        )  # fmt: skip

    async def echoes(self, *, payload: int, count: int, interval: float, wait: float) -> list[float | None]:
        made_of, found = self._port.made_of, list[float | None]()
        for number in range(count):
            source = chance(self._seed, "echo", number, f"{self._clocks.boot():.6f}")
            back = source.random() >= 1 - (1 - made_of.loss) ** 2  # there and back
            found.append(made_of.round_trip + source.expovariate(1 / 30e-6) if back else None)
            await self._clocks.sleep(interval)
        return found

    async def time(self) -> FourTimes:
        source = chance(self._seed, "far time", f"{self._clocks.boot():.6f}")
        there, back = (self._port.made_of.round_trip / 2 + source.expovariate(1 / 30e-6) for _ in range(2))
        sent = self._clocks.wall()
        await self._clocks.sleep(there + PROCESSING + back)
        return FourTimes(
            t1=sent, t2=sent + there, t3=sent + there + PROCESSING, t4=sent + there + PROCESSING + back
        )

    async def look(self) -> Mapping[str, Value]:
        port, made_of = self._port, self._port.made_of
        frames = int(self._clocks.boot() * made_of.frames_per_second)
        return {
            "interface": "bench0",
            "carrier": port.up,
            "speed": made_of.speed,
            "duplex": made_of.duplex,
            "carrier_changes": 1 + 2 * len(port.drops()),
            "rx_packets": frames,
            "tx_packets": frames,
            "rx_errors": int(frames * made_of.loss),
            "tx_errors": 0,
            "rx_crc_errors": int(frames * made_of.loss),
            "rx_dropped": 0,
            "collisions": 0,
        }

    async def address_requests(self, seconds: float) -> list[AddressRequest]:
        await self._clocks.sleep(seconds)
        return [AddressRequest(kind="dhcp", hardware=self._port.made_of.address)]

    async def aclose(self) -> None:
        """There is nothing to be closed."""


class SimulatedNet:
    """Serves as the service `net`, and reaches the bench's far end by whatever name it is paired under."""

    def __init__(self, ports: Mapping[str, Port], seed: int, clocks: Clocks) -> None:
        self._ports, self._seed, self._clocks = dict(ports), seed, clocks

    def _linked(self, interface: str = "") -> Port | None:
        if interface and interface not in self._ports:
            raise Absent(f"there is no network interface {interface}")
        ports = [self._ports[interface]] if interface else self._ports.values()
        return next((port for port in ports if port.up), None)

    async def far_end(self, name: str, interface: str = "") -> SimulatedFarEnd:
        port = self._linked(interface)
        if port is None:
            raise NotPossible(f"the far end {name[:60]} does not answer: no wired port has a link")
        return SimulatedFarEnd(port, self._seed, self._clocks)

    async def resolve(self, name: str) -> str:
        return name if name.replace(".", "").isdecimal() or ":" in name else ADDRESS

    async def echo(self, address: str, sequence: int, timeout: float) -> float | None:
        return await self._answer(f"echo {sequence}", timeout)

    async def connect(self, address: str, port: int, timeout: float) -> float | None:
        return await self._answer(f"connect {port}", timeout)

    async def exchange(self, address: str, port: int, datagram: bytes, timeout: float) -> Exchange | None:
        """To whatever address, the bench's time server answers; nothing else does."""
        sent = self._clocks.wall()
        took = await self._answer(f"exchange {sent:.6f}", timeout)
        if took is None:
            return None
        half = sent + took / 2
        if (answer := answered(datagram, half, half)) is None:
            await self._clocks.sleep(max(0.0, timeout - took))
            return None
        return Exchange(answer=answer, sent=sent, received=sent + took)

    async def _answer(self, what: str, timeout: float) -> float | None:
        port = self._linked()
        source = chance(self._seed, what, f"{self._clocks.boot():.6f}")
        if port is None or source.random() < port.made_of.loss:
            await self._clocks.sleep(timeout)
            return None
        took = port.made_of.round_trip + source.expovariate(1 / 50e-6)
        await self._clocks.sleep(took)
        return took
