"""Asks a far end, from the host that is tested: blocking calls, each with a limit in time."""

from __future__ import annotations

import errno
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

import anyio.to_thread

from verifier.errors import Absent, BenchFault, InputError, NotPossible
from verifier.gather.peer import load
from verifier.gather.peer import protocol as rules
from verifier.gather.peer.pairings import PairedWith
from verifier.gather.peer.protocol import Line, Refused
from verifier.gather.peer.words import AddressRequest, Datagrams, Flow, FourTimes, Way
from verifier.readings import Value

REACH_SECONDS = 3.0
"""To be connected to the far end."""
T = TypeVar("T")


def pair(address: str, port: int, code: str, *, name: str, own: bytes, station: str) -> PairedWith:
    """Pair with the far end whose screen shows `code`. It is called `name` here, we are called `station` there.

    InputError when that does not succeed, with what to do.
    """
    where = f"{address} port {port}"
    try:
        secret = rules.code_octets(code)
    except ValueError as error:
        raise InputError(str(error), to_do="Type it as the far end shows it.") from None
    try:
        with socket.create_connection((address, port), REACH_SECONDS) as connection:
            key, _ = _shake_hands(Line(connection), own, {"want": "pair", "name": station}, code=secret)
    except (Refused, EOFError):
        raise InputError(
            "the far end refused, or does not know this code",
            where=where,
            to_do="Type the code that it shows now; each serves once. After wrong ones, wait a minute.",
        ) from None
    except OSError as error:
        raise InputError(
            f"no far end answers: {error.strerror or error}",
            where=where,
            to_do=f"Start `verifier peer --listen {address}` on the bench computer; check cable and addresses.",
        ) from None
    return PairedWith(name=name, address=address, port=port, key=key, own=own)


def _shake_hands(
    line: Line, own: bytes, wish: dict[str, Any], *, code: bytes = b"", key: str = ""
) -> tuple[str, dict[str, Any]]:
    """The far end's public key, which must be `key` where that is known, and its first answer that it sealed."""
    ours = rules.Handshake(own, "asking")
    line.send({"version": rules.VERSION, **wish, **ours.said})
    theirs = line.receive(seconds=rules.HANDSHAKE_SECONDS)
    if "refused" in theirs:
        raise Refused("does not know this station, or no more")
    if key and theirs.get("key") != key:
        raise Refused("is not the one this station is paired with")
    ours.seal(line, theirs, code)
    line.send({"ready": True})
    try:
        answer = line.receive(seconds=rules.HANDSHAKE_SECONDS)
    except Refused:
        raise Refused("does not prove that it is the one this station is paired with") from None
    return str(theirs["key"]), answer


def _connected(pairing: PairedWith, interface: str) -> socket.socket:
    """A connection to the far end, over `interface` alone where one is named."""
    if not interface:
        return socket.create_connection((pairing.address, pairing.port), REACH_SECONDS)
    line = socket.socket(socket.AF_INET6 if ":" in pairing.address else socket.AF_INET, socket.SOCK_STREAM)
    try:
        load.keep_to(line, interface)
        line.settimeout(REACH_SECONDS)
        line.connect(load.place_of(pairing.address, pairing.port))
    except BaseException:
        line.close()
        raise
    return line


class Asking:
    """An open session. Its calls block; `FarEndOver` makes them fit for an event loop."""

    def __init__(self, pairing: PairedWith, connection: socket.socket, interface: str = "") -> None:
        self._pairing, self._connection, self._interface = pairing, connection, interface
        self._line = Line(connection)
        self._address = load.address_of(connection.getsockname())
        self.ip_version = 6 if connection.family == socket.AF_INET6 else 4

    @classmethod
    def open(cls, pairing: PairedWith, interface: str = "") -> Asking:
        """NotPossible when nobody answers there, or nobody who is paired with us."""
        where = f"{pairing.address} port {pairing.port}"
        try:
            connection = _connected(pairing, interface)
        except OSError as error:
            if interface and error.errno == errno.ENODEV:
                raise Absent(f"there is no network interface {interface}") from None
            over = f" over {interface}" if interface else ""
            raise NotPossible(
                f"the far end {pairing.name} ({where}) does not answer{over}: {error.strerror or error}",
                to_do=f"Start `verifier peer --listen {pairing.address}` on the bench computer; check the cable.",
            ) from None
        try:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            asking = cls(pairing, connection, interface)
            asking._prove()
        except Refused as error:
            connection.close()
            raise NotPossible(
                f"the far end at {where} {error}",
                to_do="Pair again: start it with `--pairings 1`, and here type "
                f"`verifier peer pair {pairing.address}:{pairing.port} --name {pairing.name}`.",
            ) from None
        except (EOFError, OSError):
            connection.close()
            raise NotPossible(
                f"the far end at {where} breaks off before it lets this station in",
                to_do="Is it still running? Where it was told wrong codes, wait a minute. Take the check again.",
            ) from None
        except BaseException:
            connection.close()
            raise
        return asking

    def _prove(self) -> None:
        ours, theirs = self._pairing.own, self._pairing.key
        _, ready = _shake_hands(self._line, ours, {"want": "session"}, key=theirs)
        if "error" in ready:
            raise NotPossible(f"the far end {self._pairing.name} is {str(ready['error'])[:200]}")

    def close(self) -> None:
        self._connection.close()

    def abandon(self) -> None:
        """End whatever call is under way in another thread."""
        with suppress(OSError):
            self._connection.shutdown(socket.SHUT_RDWR)

    @contextmanager
    def _exchange(self) -> Iterator[None]:
        """What can go wrong in a session, as the three words for it."""
        try:
            yield
        except (Refused, EOFError) as error:
            raise BenchFault(
                f"the far end {self._pairing.name} broke off: {str(error) or 'it has gone'}"
            ) from None
        except TimeoutError:
            raise BenchFault(f"the far end {self._pairing.name} does not answer any more") from None
        except OSError as error:
            raise BenchFault(f"the far end {self._pairing.name} is lost: {error.strerror or error}") from None

    def _ask(self, request: dict[str, Any], *, seconds: float = 10.0) -> dict[str, Any]:
        self._line.send(request)
        return self._answer(seconds)

    def _answer(self, seconds: float) -> dict[str, Any]:
        answer = self._line.receive(seconds=seconds)
        if "error" in answer:
            if answer.get("kind") == "not-possible":
                raise NotPossible(str(answer["error"])[:300])
            raise Refused(str(answer["error"])[:300])
        return answer

    def stream(self, way: Way, seconds: float) -> Flow:
        with self._exchange():
            token = rules.unhex(self._ask({"do": "stream", "way": way, "seconds": seconds}).get("token"), 32)
            with _connected(self._pairing, self._interface) as data:
                Line(data).send({"want": "stream", "token": token.hex()})
                if way == "up":
                    load.send_stream(data, seconds)
                    flow = _flow(self._answer(seconds + 3 * load.STALLED).get("flow"))
                else:
                    flow = load.receive_stream(data, seconds)
                    self._answer(seconds + 3 * load.STALLED)
        if flow is None:
            raise BenchFault(f"the transfer with the far end {self._pairing.name} came to a stop")
        return flow

    def datagrams(self, way: Way, *, payload: int, count: int, rate: float) -> Datagrams:
        request = {"do": "datagrams", "way": way, "payload": payload, "count": count, "rate": rate}
        with self._exchange(), load.datagram_socket(self._address, self._interface) as line:
            opened = self._ask(request | {"port": line.getsockname()[1]})
            token = rules.unhex(opened.get("token"), load.TOKEN)
            line.connect(load.place_of(self._pairing.address, int(rules.number(opened, "port", 1, 65_535))))
            if way == "up":
                sent = load.send_datagrams(
                    line, token, payload=payload, count=count, rate=rate, seconds=rules.LONGEST_LOAD
                )
                return _datagrams(self._ask({"sent": sent}, seconds=30.0).get("datagrams"))
            return self._receive(line, token, count)

    def _receive(self, line: socket.socket, token: bytes, count: int) -> Datagrams:
        """The far end sends while its word that all is sent is waited for in a thread of its own."""
        told: list[int] = []
        wrong: list[BaseException] = []

        def listen() -> None:
            try:
                answer = self._answer(rules.LONGEST_LOAD + 2 * load.STALLED)
                told.append(int(rules.number(answer, "sent", 0, count)))
            except BaseException as error:
                wrong.append(error)

        listener = threading.Thread(target=listen, daemon=True)
        listener.start()
        seen = load.receive_datagrams(
            line, token, count, lambda: 0 if wrong else next(iter(told), None), rules.LONGEST_LOAD + load.STALLED
        )
        listener.join()
        if wrong:
            raise wrong[0]
        return Datagrams(
            sent=told[0],
            received=seen.received,
            duplicates=seen.duplicates,
            late=seen.late,
            overrun=seen.overrun,
            seconds=seen.seconds,
            jitter=seen.jitter,
        )

    def echoes(self, *, payload: int, count: int, interval: float, wait: float) -> list[float | None]:
        with self._exchange():
            opened = self._ask({"do": "echoes", "count": count})
            token = rules.unhex(opened.get("token"), load.TOKEN)
            with load.datagram_socket(self._address, self._interface) as line:
                line.connect(load.place_of(self._pairing.address, int(rules.number(opened, "port", 1, 65_535))))
                found = load.ask_echoes(line, token, payload=payload, count=count, interval=interval, wait=wait)
            # Where the word that no more will come was lost, the far end waits out its time.
            self._answer(rules.LONGEST_LOAD + load.STALLED)
            return found

    def time(self, wall: Callable[[], float]) -> FourTimes:
        with self._exchange():
            t1 = wall()
            answer = self._ask({"do": "time"})
            t4 = wall()
            t2, t3 = (rules.number(answer, name, 0, 1e11) for name in ("t2", "t3"))
        return FourTimes(t1=t1, t2=t2, t3=t3, t4=t4)

    def look(self) -> Mapping[str, Value]:
        with self._exchange():
            found = self._ask({"do": "look"}).get("look")
            if not isinstance(found, dict) or len(found) > 50:
                raise Refused("it says nothing of its interface")
            return {str(k)[:50]: v for k, v in found.items() if isinstance(v, bool | int | float | str)}

    def address_requests(self, seconds: float) -> list[AddressRequest]:
        with self._exchange():
            found = self._ask({"do": "requests", "seconds": seconds}, seconds=seconds + 10).get("requests")
            if not isinstance(found, list):
                raise Refused("it heard nothing it could tell of")
            return [_request(one) for one in found[:1000]]


def _request(told: Any) -> AddressRequest:
    match told:
        case [("arp" | "dhcp") as kind, str(hardware)] if len(hardware) == 17:
            rules.unhex(hardware.replace(":", ""), 6)
            return AddressRequest(kind=kind, hardware=hardware)
    raise Refused("it told of a request that is none")


def _flow(told: Any) -> Flow | None:
    if told is None:
        return None
    if not isinstance(told, dict):
        raise Refused("it did not say what it received")
    return Flow(
        octets=int(rules.number(told, "octets", 1, 1e15)), seconds=rules.number(told, "seconds", 1e-9, 1e4)
    )


def _datagrams(told: Any) -> Datagrams:
    if not isinstance(told, dict):
        raise Refused("it did not say what it received")
    whole = {n: int(rules.number(told, n, 0, 1e9)) for n in ("sent", "received", "duplicates", "late", "overrun")}
    return Datagrams(
        **whole, seconds=rules.number(told, "seconds", 0, 1e4), jitter=rules.number(told, "jitter", 0, 1e4)
    )


class FarEndOver:
    """A session for an event loop: each call in a thread, ended when the caller is cancelled."""

    def __init__(self, asking: Asking, where: str, wall: Callable[[], float]) -> None:
        self._asking, self._where, self._wall = asking, where, wall

    @property
    def where(self) -> str:
        return self._where

    @property
    def ip_version(self) -> int:
        return self._asking.ip_version

    async def _call(self, function: Callable[[], T]) -> T:
        try:
            return await anyio.to_thread.run_sync(function, abandon_on_cancel=True)
        except anyio.get_cancelled_exc_class():
            self._asking.abandon()
            raise

    async def stream(self, way: Way, seconds: float) -> Flow:
        return await self._call(lambda: self._asking.stream(way, seconds))

    async def datagrams(self, way: Way, *, payload: int, count: int, rate: float) -> Datagrams:
        return await self._call(lambda: self._asking.datagrams(way, payload=payload, count=count, rate=rate))

    async def echoes(self, *, payload: int, count: int, interval: float, wait: float) -> list[float | None]:
        return await self._call(
            lambda: self._asking.echoes(payload=payload, count=count, interval=interval, wait=wait)
        )

    async def time(self) -> FourTimes:
        return await self._call(lambda: self._asking.time(self._wall))

    async def look(self) -> Mapping[str, Value]:
        return await self._call(self._asking.look)

    async def address_requests(self, seconds: float) -> list[AddressRequest]:
        return await self._call(lambda: self._asking.address_requests(seconds))

    async def aclose(self) -> None:
        self._asking.close()


async def open_far_end(pairing: PairedWith, wall: Callable[[], float], interface: str = "") -> FarEndOver:
    """A session with the far end of a pairing, over `interface` alone where one is named.

    NotPossible when it cannot be had; Absent where there is no such interface.
    """
    asking = await anyio.to_thread.run_sync(Asking.open, pairing, interface, abandon_on_cancel=True)
    over = f" over {interface}" if interface else ""
    return FarEndOver(asking, f"far end {pairing.name}, {pairing.address} port {pairing.port}{over}", wall)
