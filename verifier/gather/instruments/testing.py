"""Test instruments: supply, meters, load, relay card, thermometer on pseudo-terminals, in a process of their own.

    python -m verifier.gather.instruments.testing

The first line printed is a JSON object of name to port. Each line typed is a JSON object, and the state is printed
in answer: {} changes nothing; {"ohms": 4.7}; {"misbehave": {"meter": "silence"}}; {"hold": {"supply": "OUTP ON"}}
to have it stand still once it has done that; {"forget": ["supply"]} what it heard. {"draws": [[0, 0], [2, 0.9]]}
has the unit draw so many amperes so many seconds after it is fed, {"pressed": [[0, 0.9], [3, 0.3]]} from now on,
{"draws": []} by its ohms again. {"port": {"volts": 5.1, "ohms": 0.2, "limit": 1.0}} is what the load hangs on;
{"across": "port"} puts the meter there. Real bytes with real state: set points, an output, trips, an error queue,
a load resistance, noise.
"""

from __future__ import annotations

import json
import os
import random
import select
import sys
import time
import tty
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Any

MISBEHAVIOURS = {
    "silence": "answers nothing",
    "garbage": "answers bytes that are no text",
    "echo": "sends every message back instead of an answer",
    "slow": "sends one byte a second",
    "partial": "sends half an answer",
    "flood": "sends without end",
    "swapped": "says it is another instrument",
    "overload": "answers 9.9E37 to every measurement",
    "nan": "answers 9.91E37 to every measurement",
    "error": "has an entry in its error queue after every message",
    "endless": "has an error queue that never empties",
    "stubborn": "does not switch off",
    "deaf": "does not take set points",
}


class Circuit:
    """The supply feeds a resistance, or what draws by a script; the meter is across it. The load is at a port."""

    def __init__(self, seed: int) -> None:
        self.ohms, self.noise, self.celsius = 100.0, 0.0, 23.4
        self.pascals, self.leak, self.filled = 2000.0, 0.1, time.monotonic()
        self.draws: list[list[float]] = []
        self.since = 0.0
        """The moment from which the script of what is drawn counts."""
        self.port = {"volts": 5.0, "ohms": 0.2, "limit": 100.0}
        self.across = "supply"
        self.chance = random.Random(seed)  # noqa: S311 - noise, no secret
        self.supply: Supply
        self.load: Load

    def volts(self) -> float:
        supply = self.supply
        if not supply.on or self.draws:
            return supply.set["VOLT"] if supply.on else 0.0
        return min(supply.set["VOLT"], supply.set["CURR"] * self.ohms)

    def amperes(self) -> float:
        if not self.draws:
            return self.volts() / self.ohms
        gone = time.monotonic() - self.since
        drawn = [amperes for seconds, amperes in self.draws if seconds <= gone]
        return min(drawn[-1], self.supply.set["CURR"]) if drawn and self.supply.on else 0.0

    def port_amperes(self) -> float:
        return min(self.load.set["CURR"], self.port["limit"]) if self.load.on else 0.0

    def port_volts(self) -> float:
        return self.port["volts"] - self.port["ohms"] * self.port_amperes()

    def across_volts(self) -> float:
        return self.port_volts() if self.across == "port" else self.volts()

    def pressure(self) -> float:
        """Falls from `pascals` by `leak` Pa a second from when it was filled."""
        return self.pascals - self.leak * (time.monotonic() - self.filled)

    def noisy(self, value: float) -> float:
        return value + (self.chance.gauss(0.0, self.noise) if self.noise else 0.0)


class Device(ABC):
    """One instrument: takes bytes, gives bytes, each with the moment at which it may leave."""

    ends = b"\n"

    def __init__(self, name: str, circuit: Circuit) -> None:
        self.name, self.circuit = name, circuit
        self.master, self._slave = os.openpty()  # the other end stays open: a port that is closed loses nothing
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        os.set_blocking(self.master, False)
        self.misbehaves, self.heard = "", list[str]()
        self.hold, self.held = "", False
        self._in = bytearray()
        self.out: deque[tuple[float, bytes]] = deque()
        self.errors: deque[str] = deque()

    def take(self, data: bytes) -> None:
        self._in += data
        while not self.held and (end := self._in.find(b"\n")) >= 0:
            message = bytes(self._in[:end]).decode("ascii", "replace").strip()
            del self._in[: end + 1]
            if message:
                self.heard = [*self.heard, message][-1000:]
                if self.hold and message.startswith(self.hold):
                    self.answer(message)
                    self.held = True  # and it does nothing more until it is let go
                else:
                    self.say_to(message)

    def say_to(self, message: str) -> None:
        answer = self.answer(message)
        match self.misbehaves:
            case "silence":
                return
            case "echo":
                answer = message
            case "garbage":
                self.send(b"\x80\xff\x00\x13\xfe" + self.ends)
                return
            case "flood":
                self.send(b"1234567890" * 200)
                return
            case "endless" if message == "SYST:ERR?":
                answer = '-350,"Queue overflow"'
            case "swapped" if message in ("*IDN?", "ID?"):
                answer = "EXAMPLE,OTHER,XX-999,1.0"
            case "overload" if message.startswith("MEAS"):
                answer = "9.9E+37"
            case "nan" if message.startswith("MEAS"):
                answer = "9.91E+37"
            case "error" if not message.startswith("SYST") and message != "*CLS":
                self.errors.append('-222,"Data out of range"')
        if answer is None:
            return
        data = answer.encode() + self.ends
        if self.misbehaves == "partial":
            self.send(data[: max(1, len(data) // 2)])
        elif self.misbehaves == "slow":
            for number in range(len(data)):
                self.send(data[number : number + 1], delay=float(number + 1))
        else:
            self.send(data)

    def send(self, data: bytes, delay: float = 0.0) -> None:
        self.out.append((time.monotonic() + delay, data))

    @abstractmethod
    def answer(self, message: str) -> str | None:
        """What it answers to a message; None for nothing."""

    def tick(self) -> None:  # noqa: B027 - most devices do nothing by themselves
        """What it does by itself."""

    def state(self) -> dict[str, Any]:
        return {"heard": self.heard, "held": self.held}


class Scpi(Device):
    """The common part: identity, error queue, set points, output with trips."""

    switch = ""
    """The header that switches the output; empty for what has none."""

    def __init__(self, name: str, circuit: Circuit, model: str, set_points: dict[str, float]) -> None:
        super().__init__(name, circuit)
        self.identity = f"EXAMPLE,{model},{name.upper()}-001,1.0"
        self.set, self.on, self.times_on = dict(set_points), False, 0

    def measured(self) -> dict[str, Callable[[], float]]:
        return {}

    def answer(self, message: str) -> str | None:
        head, _, rest = message.partition(" ")
        match head.upper():
            case "*IDN?":
                return self.identity
            case "*CLS":
                self.errors.clear()
            case "SYST:ERR?":
                return self.errors.popleft() if self.errors else '0,"No error"'
            case header if header.endswith("?") and header[:-1] in self.set:
                return f"{self.set[header[:-1]]:.4f}"
            case header if header in self.set:
                self._set(header, rest)
            case header if self.switch and header == f"{self.switch}?":
                self._trip()
                return str(int(self.on))
            case header if self.switch and header == self.switch:
                self._switch(rest.upper() in ("ON", "1"))
            case header if header in (measured := self.measured()):
                self._trip()
                return f"{self.circuit.noisy(measured[header]()):.6E}"
            case _:
                self.errors.append('-113,"Undefined header"')
        return None

    def _set(self, header: str, rest: str) -> None:
        try:
            value = float(rest)
        except ValueError:
            self.errors.append('-104,"Data type error"')
            return
        if self.misbehaves != "deaf":
            self.set[header] = value

    def _switch(self, on: bool) -> None:
        if on and not self.on:
            self.times_on += 1
            self.circuit.since = time.monotonic()
        if on or self.misbehaves != "stubborn":
            self.on = on

    def _trip(self) -> None:
        """The hardware's own trips."""

    def state(self) -> dict[str, Any]:
        return {**super().state(), "on": self.on, "times_on": self.times_on, "set": self.set}


class Supply(Scpi):
    switch = "OUTP"

    def measured(self) -> dict[str, Callable[[], float]]:
        return {"MEAS:VOLT?": self.circuit.volts, "MEAS:CURR?": self.circuit.amperes}

    def _trip(self) -> None:
        if self.circuit.volts() > self.set["VOLT:PROT"] or self.circuit.amperes() > self.set["CURR:PROT"]:
            self.on = False


class Load(Scpi):
    switch = "INP"

    def measured(self) -> dict[str, Callable[[], float]]:
        return {
            "MEAS:VOLT?": self.circuit.port_volts,
            "MEAS:CURR?": self.circuit.port_amperes,
            "MEAS:POW?": lambda: self.circuit.port_volts() * self.circuit.port_amperes(),
        }


class Meter(Scpi):
    def measured(self) -> dict[str, Callable[[], float]]:
        return {
            "MEAS:VOLT:DC?": self.circuit.across_volts,
            "MEAS:CURR:DC?": self.circuit.amperes,
            "MEAS:RES?": lambda: self.circuit.ohms,
            "MEAS:FREQ?": lambda: 50.0,
            "MEAS:POW?": lambda: self.circuit.volts() * self.circuit.amperes(),
            "MEAS:PRES?": self.circuit.pressure,
        }


class Clock(Scpi):
    def answer(self, message: str) -> str | None:
        # Not among what is measured: six digits of seconds since 1970 are a quarter of an hour.
        return f"{time.time():.4f}" if message == "SYST:EPOCH?" else super().answer(message)


class Relays(Device):
    ends = b"\r\n"

    def __init__(self, name: str, circuit: Circuit) -> None:
        super().__init__(name, circuit)
        self.closed = [0] * 8

    def answer(self, message: str) -> str | None:
        if message == "ID?":
            return f"EXAMPLE,RC8,{self.name.upper()}-001"
        if message == "RLY?":
            return ",".join(map(str, self.closed))
        which, _, what = message.removeprefix("RLY ").partition(",")
        if message.startswith("RLY ") and what in ("0", "1"):
            if which == "ALL":
                self.closed = [int(what)] * 8
            elif which.isdecimal() and 1 <= int(which) <= 8:
                self.closed[int(which) - 1] = int(what)
            else:
                return "ERR 2 no such contact"
            return "OK"
        return "ERR 1 what?"

    def state(self) -> dict[str, Any]:
        return {**super().state(), "on": any(self.closed), "closed": self.closed}


class Thermometer(Device):
    ends = b"\r\n"
    _next = 0.0

    def answer(self, message: str) -> str | None:
        return None

    def tick(self) -> None:
        if time.monotonic() >= self._next and self.misbehaves != "silence":
            self._next = time.monotonic() + 0.05
            text = "T1 OPEN" if self.misbehaves == "overload" else f"T1 {self.circuit.celsius:.1f} C"
            with suppress(BlockingIOError):  # nobody reads: what a printer prints then is lost
                os.write(self.master, text.encode() + self.ends)


def make(seed: int) -> tuple[Circuit, dict[str, Device]]:
    circuit = Circuit(seed)
    protected = {"VOLT": 0.0, "CURR": 0.1, "VOLT:PROT": 66.0, "CURR:PROT": 11.0}
    circuit.supply = Supply("supply", circuit, "PS1", protected)
    circuit.load = Load("load", circuit, "EL1", {"CURR": 0.0, "CURR:PROT": 30.0})
    devices: list[Device] = [
        circuit.supply,
        circuit.load,
        Meter("meter", circuit, "DM1", {}),
        Meter("power", circuit, "PM1", {}),
        Meter("pressure", circuit, "PG1", {}),
        Clock("clock", circuit, "CL1", {}),
        Relays("relays", circuit),
        Thermometer("thermometer", circuit),
    ]
    return circuit, {device.name: device for device in devices}


def main() -> None:
    circuit, devices = make(seed=int(sys.argv[1]) if len(sys.argv) > 1 else 1)
    print(json.dumps({name: device.port for name, device in devices.items()}), flush=True)
    typed = b""
    while True:
        waiting = [d for d in devices.values() if d.out]
        ready, _, _ = select.select([sys.stdin, *(d.master for d in devices.values())], [], [], 0.02)
        for device in devices.values():
            if device.master in ready:
                with suppress(OSError):
                    device.take(os.read(device.master, 4096))
            device.tick()
        for device in [*waiting, *(d for d in devices.values() if d.out)]:
            while device.out and device.out[0][0] <= time.monotonic():
                _, data = device.out.popleft()
                with suppress(OSError):
                    os.write(device.master, data)
        if sys.stdin in ready:
            piece = os.read(sys.stdin.fileno(), 65_536)
            if not piece:
                return
            typed += piece
            while b"\n" in typed:
                line, _, typed = typed.partition(b"\n")
                _change(circuit, devices, json.loads(line))
                print(json.dumps({name: device.state() for name, device in devices.items()}), flush=True)


def _change(circuit: Circuit, devices: dict[str, Device], wish: Any) -> None:
    if not isinstance(wish, dict):
        return
    if "pascals" in wish:
        circuit.filled = time.monotonic()
    for name in ("ohms", "noise", "celsius", "pascals", "leak"):
        if name in wish:
            setattr(circuit, name, float(wish[name]))
    for name in ("draws", "port", "across"):
        if name in wish:
            setattr(circuit, name, wish[name])
    if "pressed" in wish:
        circuit.draws, circuit.since = wish["pressed"], time.monotonic()
    for name, message in wish.get("hold", {}).items():
        devices[name].hold, devices[name].held = message, False
        devices[name].take(b"")
    for name in wish.get("forget", ()):
        devices[name].heard = []
    for name, how in wish.get("misbehave", {}).items():
        devices[name].misbehaves = how
        devices[name].out.clear()


if __name__ == "__main__":
    main()
