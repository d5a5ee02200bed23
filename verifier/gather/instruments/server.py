"""The instrument process: owns all ports and error queues of a station. Never imported by the engine.

JSON lines over one socket pair, one thread an instrument, so that a slow one never keeps another from being
made safe. Rules:

1. Nothing is switched on before the watchdog has noted it; without a watchdog, nothing is switched on.
2. When whoever asked is gone (end of file), when asked to end (SIGTERM), when the watchdog dies and when a
   lease runs out, waits are broken off and everything that may be on is made safe.
3. An exchange that is under way is broken off by making safe, not waited for.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import suppress
from typing import Any, NoReturn

from verifier.gather.instruments.description import Instrument
from verifier.gather.instruments.dialogue import Dialogue
from verifier.gather.instruments.line import Interrupted, LineFault
from verifier.gather.instruments.safing import programme_of

SAFE_LIMIT = 20.0
"""Seconds that making everything safe may take, at the end, before the watchdog is left to it."""
_START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from verifier.gather.instruments.watchdog import main; main(*map(int, sys.argv[2:5]))"
)


class _Ending(BaseException):
    """SIGTERM: raised out of whatever the main thread waits for."""


class Watched:
    """The watchdog as this process sees it."""

    def __init__(self, programmes: list[dict[str, Any]], parent: int, lock: int) -> None:
        self._programmes, self._parent, self._lock_file = programmes, parent, lock
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start one, unless one is there."""
        with self._lock:
            self._start()

    def _start(self) -> None:
        if self._socket is not None:
            return
        ours, theirs = socket.socketpair()
        try:
            with theirs:
                self.process = subprocess.Popen(
                    [
                        sys.executable, "-I", "-c", _START, json.dumps(sys.path),
                        str(theirs.fileno()), str(os.getpid()), str(self._parent),
                    ],
                    stdin=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,  # it may outlive the run, and whoever reads that to its end waits
                    pass_fds=[theirs.fileno(), self._lock_file],
                    start_new_session=True,
                )  # fmt: skip
            ours.settimeout(10.0)
            self._socket = ours
            self._say({"programmes": self._programmes})
        except BaseException:
            # Half a conversation is none: what is answered late must not be taken for the next answer.
            ours.close()
            self._socket = None
            raise

    def note(self, name: str, *, hot: bool) -> None:
        """Raises LineFault when it cannot be noted."""
        with self._lock:
            try:
                self._start()
                self._say({"hot" if hot else "safe": name})
            except (OSError, ValueError):
                self._drop()
                raise LineFault("the watchdog process does not answer, so that nothing is switched on") from None

    def _say(self, message: dict[str, Any]) -> None:
        assert self._socket is not None  # noqa: S101 - just made
        self._socket.sendall(json.dumps(message).encode() + b"\n")
        if self._socket.recv(1) != b"\n":
            raise OSError("gone")

    def lost(self, process: subprocess.Popen[bytes]) -> None:
        """This one has ended."""
        with self._lock:
            if self.process is process:
                self._drop()

    def _drop(self) -> None:
        if self._socket is not None:
            self._socket.close()
        self._socket = None

    def dismiss(self) -> None:
        """Everything is safe and this process goes: so may the watchdog."""
        with suppress(OSError, ValueError), self._lock:
            if self._socket is not None:
                self._say({"dismissed": True})


class Hand(threading.Thread):
    """Talks to one instrument; takes its orders from a queue."""

    def __init__(self, name: str, instrument: Instrument, server: Server) -> None:
        super().__init__(daemon=True)
        self.instrument_name, self._server = name, server
        self.orders: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._breaking = 0
        self._counting = threading.Lock()
        self.dialogue = Dialogue(name, instrument, self._broken_off)
        self._until: float | None = None
        self._cut = ""
        """Why it was made safe behind the back of whoever switched it on: what is measured then is no value."""
        self.touched = False

    def _broken_off(self) -> bool:
        return self._breaking > 0

    def break_off(self, done: threading.Event, number: Any = None, why: str = "") -> None:
        """Break off what it is at, refuse what was ordered before, and make safe; then `done`."""
        with self._counting:
            self._breaking += 1
        self.orders.put({"do": "safe", "breaks": True, "done": done, "id": number, "why": why})

    def run(self) -> None:
        while True:
            left = None if self._until is None else max(0.0, self._until - time.monotonic())
            try:
                order = self.orders.get(timeout=left)
            except queue.Empty:
                if self.dialogue.hot and not self._cut:
                    self._cut = "the time for which it was switched on is over"
                self._safe()  # whoever switched on did not come back
                continue
            if order.get("breaks"):
                with self._counting:
                    self._breaking -= 1
            result: dict[str, Any]
            try:
                result = {"result": self._do(order)}
            except LineFault as error:
                result = {"fault": str(error)}
            except Interrupted:
                result = {"fault": f"{order['do']}: broken off, everything was made safe"}
            except Exception as error:
                result = {"fault": f"{order['do']}: {type(error).__name__}: {str(error)[:200]}"}
            if "fault" in result and self.dialogue.hot and order["do"] != "safe" and not self._breaking:
                self._safe()  # at once; whoever asked sees to it that it is
            self._server.say({"id": order.get("id"), **result})
            if (done := order.get("done")) is not None:
                done.set()

    def _do(self, order: dict[str, Any]) -> Any:
        dialogue, do = self.dialogue, order["do"]
        if self._broken_off():
            raise Interrupted
        self.touched = True
        if do == "safe":
            self._cut = order.get("why", "")
            if problem := self._safe():
                raise LineFault(problem)
            return True
        if self._cut and do in ("measure", "is-on", "still"):
            raise LineFault(f"{do}: {self._cut}, and it was made safe")
        if do == "still":
            return True
        if do == "identify":
            return dialogue.identify()
        if do == "measure":
            return dialogue.measure(order["quantity"], order.get("range"))
        if do == "is-on":
            return dialogue.is_on()
        self._server.watched.note(self.instrument_name, hot=True)
        self._cut = ""
        self._until = time.monotonic() + float(order["lease"])
        if do == "on":
            return dialogue.switch_on(order["settings"])
        if do == "close":
            dialogue.close_channel(order["channel"])
        else:
            raise LineFault(f"nobody knows how to {do}")
        return True

    def _safe(self) -> str:
        """Make safe; what went wrong, if anything."""
        self._until = None
        try:
            self.dialogue.safe()
        except Exception as error:  # whatever it is, this thread goes on trying
            if self.dialogue.hot:
                self._until = time.monotonic() + 1.0  # again, and again, until it says it is safe
            return str(error) or "broken off"
        with suppress(LineFault):
            self._server.watched.note(self.instrument_name, hot=False)
        return ""


class Server:
    def __init__(self, connection: socket.socket, parent: int, lock: int) -> None:
        self._connection, self._parent, self._lock_file = connection, parent, lock
        self._saying = threading.Lock()
        self.hands: dict[str, Hand] = {}
        self.watched: Watched

    def say(self, message: dict[str, Any]) -> None:
        with suppress(OSError), self._saying:
            self._connection.sendall(json.dumps(message).encode() + b"\n")

    def serve(self) -> None:
        from pydantic import TypeAdapter

        lines = self._connection.makefile("rb")
        try:
            first = json.loads(lines.readline() or b"{}")
            given = first.get("instruments", {})
            adapter = TypeAdapter(Instrument)
            for name, data in given.items():
                self.hands[name] = Hand(name, adapter.validate_python(data), self)
            programmes = [p for name, data in given.items() if (p := programme_of(data, name)) is not None]
            self.watched = Watched(programmes, self._parent, self._lock_file)
            if programmes:
                self.watched.start()
                threading.Thread(target=self._mind_watchdog, daemon=True).start()
            for hand in self.hands.values():
                hand.start()
            self.say({"ready": True, "watchdog": self.watched.process.pid if self.watched.process else None})
            for line in lines:
                order = json.loads(line)
                if order["do"] == "break-off":
                    self._break_off([order["name"]], order.get("id"))
                elif order.get("name") in self.hands:
                    self.hands[order["name"]].orders.put(order)
                else:
                    self.say({"id": order.get("id"), "fault": "there is no such instrument"})
        finally:
            signal.signal(signal.SIGTERM, signal.SIG_IGN)
            if self._all_safe():
                self.watched.dismiss()

    def _break_off(self, names: list[str], number: Any = None, why: str = "") -> list[threading.Event]:
        """Break off what these instruments are at and make them safe."""
        finished = []
        for name in names:
            if (hand := self.hands.get(name)) is not None:
                finished.append(threading.Event())
                hand.break_off(finished[-1], number, why)
        return finished

    def _all_safe(self) -> bool:
        names = [n for n, h in self.hands.items() if h.touched and h.dialogue.instrument.energises]
        until = time.monotonic() + SAFE_LIMIT
        for done in self._break_off(names):
            done.wait(max(0.0, until - time.monotonic()))
        return not any(hand.dialogue.hot for hand in self.hands.values())

    def _mind_watchdog(self) -> None:
        """When the watchdog dies, nothing may stay on without one."""
        while True:
            process = self.watched.process
            if process is None:
                return
            process.wait()
            self.watched.lost(process)
            hot = [n for n, h in self.hands.items() if h.dialogue.hot]
            for done in self._break_off(hot, why="the watchdog process ended"):
                done.wait(SAFE_LIMIT)
            while self.watched.process is process:
                # Until there is one again, nothing can be switched on.
                with suppress(OSError, ValueError):
                    self.watched.start()
                    break
                time.sleep(0.5)


def main(descriptor: int, parent: int, lock: int) -> NoReturn:
    """Serve over the socket `descriptor`; `parent` is the engine's process, `lock` the station's lock."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)

    def ending(_number: int, _frame: object) -> None:
        raise _Ending

    signal.signal(signal.SIGTERM, ending)
    os.set_inheritable(descriptor, False)  # noqa: FBT003 - its own name says it
    with socket.socket(fileno=descriptor) as connection, suppress(_Ending, OSError, ValueError):
        Server(connection, parent, lock).serve()
    os._exit(0)
