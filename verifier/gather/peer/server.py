"""The far end itself: listens on one named address, admits who proves itself, answers what is asked.

A thread for each connection, all of them counted (doorman.py), each with a deadline of its own. One load at a
time: two would measure each other. It ends by itself after the time it was given.
"""

from __future__ import annotations

import contextlib
import secrets
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from typing import Any

from verifier.errors import InputError, NotPossible
from verifier.gather.peer import load, outside
from verifier.gather.peer import protocol as rules
from verifier.gather.peer.doorman import FAILURES, SHUT_OUT, Doorman
from verifier.gather.peer.protocol import Line, Refused
from verifier.gather.peer.stations import Stations, valid_name

SESSIONS = 4
IDLE = 120.0
"""Seconds without a request after which a session ends."""
LONGEST_SESSION = 3600.0
TOKEN_SECONDS = 5.0
"""How long a data connection may take to come."""
REQUESTS_A_SECOND = 200.0


@dataclass(slots=True)
class _Awaited:
    """A data connection that a session waits for."""

    source: str
    arrived: threading.Event = field(default_factory=threading.Event)
    connection: socket.socket | None = None


class Peer:
    """Bind with `open`, then `serve` until `close` or until its time is over."""

    def __init__(
        self, address: str, port: int, *, stations: Stations, pairings: int, say: Callable[[str], None]
    ) -> None:
        self._address, self._port, self._left, self._say = address, port, pairings, say
        self._stations, self._own = stations, stations.own_key()
        self._doorman = Doorman()
        self._lock = threading.Lock()
        self._code, self._wrong = rules.new_code(), 0
        self._awaited: dict[str, _Awaited] = {}
        self._load = threading.Lock()
        self._sessions = threading.BoundedSemaphore(SESSIONS)
        self._closed = threading.Event()
        self._listener: socket.socket | None = None

    @property
    def code(self) -> str:
        """What the other side types; empty when nobody else may pair."""
        with self._lock:
            return self._code if self._left else ""

    def open(self) -> int:
        """Listen; the port. InputError when the address is not this computer's, or is every address it has."""
        family = socket.AF_INET6 if ":" in self._address else socket.AF_INET
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(load.place_of(self._address, self._port))
            listener.listen(128)
        except OSError as error:
            listener.close()
            raise InputError(
                f"cannot listen: {error.strerror or error}",
                where=f"{self._address} port {self._port}",
                to_do="Name one address of this computer (`ip address` lists them) and a port that is free.",
            ) from None
        self._listener = listener
        return int(listener.getsockname()[1])

    def close(self) -> None:
        self._closed.set()
        if self._listener is not None:
            with contextlib.suppress(OSError):
                self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()

    def serve(self, seconds: float) -> None:
        """Answer for that long."""
        assert self._listener is not None, "opened before"  # noqa: S101
        until = time.monotonic() + seconds
        while not self._closed.is_set() and (left := until - time.monotonic()) > 0:
            try:
                self._listener.settimeout(min(left, 1.0))
                connection, sender = self._listener.accept()
            except TimeoutError:
                continue
            except OSError:
                if self._closed.is_set():
                    break
                time.sleep(0.1)  # out of descriptors, say: they come back
                continue
            source = load.address_of(sender)
            if not self._doorman.admit(source):
                connection.close()
                continue
            threading.Thread(target=self._met, args=(connection, source), daemon=True).start()
        self.close()

    def _met(self, connection: socket.socket, source: str) -> None:
        """From the first message to the proof; what follows is no longer the doorman's."""
        left = False

        def leave(*, failed: bool) -> None:
            nonlocal left
            if not left:
                left = True
                if self._doorman.leave(source, failed=failed):
                    self._say(f"{source} failed {FAILURES} times and has to wait {SHUT_OUT:g} s.")

        try:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            line = Line(connection)
            until = time.monotonic() + rules.HANDSHAKE_SECONDS
            hello = line.receive(seconds=rules.HANDSHAKE_SECONDS)
            want = hello.get("want")
            if want == "stream":
                if not self._hand_over(hello, connection, source):
                    raise Refused("an unknown token")
                leave(failed=False)
                return
            if hello.get("version") != rules.VERSION or want not in ("pair", "session"):
                raise Refused("another protocol")
            if want == "pair":
                self._pair(line, hello, until, source)
                leave(failed=False)
            else:
                self._prove(line, hello, until)
                leave(failed=False)
                self._session(line, source, hello["key"])
        except Refused as why:
            if not left:
                self._say(f"Refused {source}: {why}.")
                with contextlib.suppress(OSError):
                    # One answer for whatever was wrong: a stranger learns nothing from it.
                    Line(connection).send({"refused": True}, seconds=1.0)
            leave(failed=True)
        except (OSError, EOFError):
            leave(failed=True)
        finally:
            leave(failed=True)
            if not self._is_handed(connection):
                connection.close()

    def _is_handed(self, connection: socket.socket) -> bool:
        with self._lock:
            return any(waiting.connection is connection for waiting in self._awaited.values())

    # Pairing and proof: protocol.py, rules 1 to 4.

    def _shake_hands(self, line: Line, hello: dict[str, Any], until: float, code: bytes = b"") -> None:
        ours = rules.Handshake(self._own, "far")
        line.send(ours.said)
        ours.seal(line, hello, code)
        line.receive(seconds=until - time.monotonic())

    def _pair(self, line: Line, hello: dict[str, Any], until: float, source: str) -> None:
        name = valid_name(hello.get("name"))
        with self._lock:
            if not self._left:
                raise Refused("nobody else may pair")
            code = self._code
        try:
            self._shake_hands(line, hello, until, rules.code_octets(code))
        except Refused:
            with self._lock:
                self._wrong += self._code == code
                void = self._wrong >= rules.WRONG_CODES
                if void:
                    self._renew()
            if void:
                self._tell_code()
            raise Refused("the wrong code") from None
        with self._lock:
            # Somebody else may have used the code, or used it up, in the meantime.
            if not self._left or self._code != code:
                raise Refused("the wrong code")
            self._stations.keep(hello["key"], name)
            self._left -= 1
            self._renew()
        line.send({"ready": True})
        self._say(f"Paired with {name}, {source}.")
        self._tell_code()

    def _renew(self) -> None:
        self._code, self._wrong = rules.new_code(), 0

    def _tell_code(self) -> None:
        """Never under the lock: a terminal may be held up."""
        if code := self.code:
            self._say(f"New pairing code: {code}")

    def _prove(self, line: Line, hello: dict[str, Any], until: float) -> None:
        self._stations.known(hello.get("key"))
        try:
            self._shake_hands(line, hello, until)
        except Refused:
            raise Refused("the wrong key") from None

    # What is asked for in a session.

    def _session(self, line: Line, source: str, key: str) -> None:
        if not self._sessions.acquire(blocking=False):
            line.send({"error": "busy: too many sessions at once"})
            return
        try:
            line.send({"ready": True})
            until = time.monotonic() + LONGEST_SESSION
            while not self._closed.is_set() and (left := until - time.monotonic()) > 0:
                request = line.receive(seconds=min(IDLE, left))
                arrived = time.time()
                try:
                    self._stations.known(key)
                    answer = self._answer(line, source, request, arrived)
                except NotPossible as error:
                    answer = {"error": error.what, "kind": "not-possible"}
                except Refused as why:
                    answer = {"error": str(why), "kind": "refused"}
                line.send(answer)
                time.sleep(1 / REQUESTS_A_SECOND)
        finally:
            self._sessions.release()

    def _answer(self, line: Line, source: str, request: dict[str, Any], arrived: float) -> dict[str, Any]:
        match request.get("do"):
            case "time":
                return {"t2": arrived, "t3": time.time()}
            case "look":
                return {"look": outside.look(outside.interface_of(self._address))}
            case "requests":
                seconds = rules.number(request, "seconds", 0, rules.LONGEST_LOAD)
                heard = outside.requests(outside.interface_of(self._address), seconds)
                return {"requests": [[r.kind, r.hardware] for r in heard]}
            case "stream":
                with self._alone():
                    return self._stream(line, source, request)
            case "datagrams":
                with self._alone():
                    return self._datagrams(line, source, request)
            case "echoes":
                with self._alone():
                    return self._echoes(line, source, request)
            case _:
                raise Refused("no such request")

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        if not self._load.acquire(blocking=False):
            raise NotPossible("the far end is busy with another load; try again when it is done")
        try:
            yield
        finally:
            self._load.release()

    def _stream(self, line: Line, source: str, request: dict[str, Any]) -> dict[str, Any]:
        seconds = rules.number(request, "seconds", 0.01, rules.LONGEST_LOAD)
        token, waiting = secrets.token_hex(32), _Awaited(source)
        with self._lock:
            self._awaited[token] = waiting
        try:
            line.send({"token": token})
            if not waiting.arrived.wait(TOKEN_SECONDS) or waiting.connection is None:
                raise Refused("no data connection came")
            with waiting.connection as connection:
                if request.get("way") == "down":
                    return {"sent": load.send_stream(connection, seconds)}
                flow = load.receive_stream(connection, seconds)
                return {"flow": asdict(flow) if flow else None}
        finally:
            with self._lock:
                self._awaited.pop(token, None)
            if waiting.connection is not None:
                waiting.connection.close()

    def _hand_over(self, hello: dict[str, Any], connection: socket.socket, source: str) -> bool:
        with self._lock:
            waiting = self._awaited.get(str(hello.get("token")))
            if waiting is None or waiting.connection is not None or waiting.source != source:
                return False
            waiting.connection = connection
        waiting.arrived.set()
        return True

    def _datagrams(self, line: Line, source: str, request: dict[str, Any]) -> dict[str, Any]:
        payload = int(rules.number(request, "payload", load.HEADER.size, load.LONGEST_DATAGRAM))
        count = int(rules.number(request, "count", 1, rules.MOST_DATAGRAMS))
        rate = rules.number(request, "rate", 0, 10_000_000)
        if rate and count / rate > rules.LONGEST_LOAD:
            raise Refused(f"that takes longer than {rules.LONGEST_LOAD:g} s")
        port = int(rules.number(request, "port", 1, 65_535))
        token = secrets.token_bytes(load.TOKEN)
        with load.datagram_socket(self._address) as socket_:
            # To and from the address that asked and no other. What strangers send here is not even queued, where
            # it would push out what is counted.
            socket_.connect(load.place_of(source, port))
            line.send({"port": socket_.getsockname()[1], "token": token.hex()})
            if request.get("way") == "down":
                sent = load.send_datagrams(
                    socket_, token, payload=payload, count=count, rate=rate, seconds=rules.LONGEST_LOAD
                )
                return {"sent": sent}
            ending = _Ending(line, count)
            seen = load.receive_datagrams(socket_, token, count, ending.sent, rules.LONGEST_LOAD + STRAGGLE)
            # The word that all is sent belongs to this request, whether it was waited for or not.
            ending.finish()
            return {"datagrams": asdict(seen)}

    def _echoes(self, line: Line, source: str, request: dict[str, Any]) -> dict[str, Any]:
        count = int(rules.number(request, "count", 1, rules.MOST_ECHOES))
        token = secrets.token_bytes(load.TOKEN)
        with load.datagram_socket(self._address) as socket_:
            line.send({"port": socket_.getsockname()[1], "token": token.hex()})
            load.return_echoes(socket_, token, count=count + 1, source=source, seconds=rules.LONGEST_LOAD)
        return {"done": True}


STRAGGLE = 1.0
"""Seconds past the longest load that the word of its end may take."""


class _Ending:
    """Waits in a thread for the message that ends an upload, while the datagrams are being received."""

    def __init__(self, line: Line, most: int) -> None:
        self._line, self._most = line, most
        self._sent: int | None = None
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        try:
            message = self._line.receive(seconds=rules.LONGEST_LOAD + STRAGGLE)
            self._sent = int(rules.number(message, "sent", 0, self._most))
        except (OSError, EOFError, Refused) as error:
            self._error = error

    def sent(self) -> int | None:
        """How many were sent, once that is known; 0 when the asking side has gone."""
        return 0 if self._error is not None else self._sent

    def finish(self) -> None:
        self._thread.join()
        if self._error is not None:
            raise self._error
