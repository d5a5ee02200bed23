"""Probes that misbehave in every way the workers are there for, as a package that is installed."""

import asyncio
import os
import signal
import socket
import sys
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from verifier.errors import Absent, BenchFault, InputError, NotPossible
from verifier.hookspecs import hookimpl
from verifier.readings import Contribution, ProbeDeclaration, Reading, ReadingDeclaration, Series
from verifier.services import Host


@dataclass
class Settings:
    how: str = ""
    file: str = ""
    """Where process ids are written, one a line."""


READINGS = (
    ReadingDeclaration(name="heat", kind="number", unit="Cel", what="A number."),
    ReadingDeclaration(name="word", kind="text", what="A text.", optional=True),
    ReadingDeclaration(name="closed", kind="yes-no", what="A yes or no.", optional=True),
    ReadingDeclaration(name="chain_*", kind="number", unit="dBm", what="A family.", optional=True),
)
HEAT = Reading(name="heat", value=21.5, unit="Cel")


def note(file: str, pid: int | None = None) -> None:
    with Path(file).open("a") as out:
        out.write(f"{pid or os.getpid()}\n")


def forked(work: Any) -> None:
    """Run `work` in a child that never comes back here."""
    if os.fork() == 0:
        try:
            work()
        finally:
            os._exit(0)


def stubborn(file: str) -> None:
    """Leave the session, lose the parent, ignore every polite signal."""
    os.setsid()

    def grandchild() -> None:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        note(file)
        time.sleep(300)

    forked(grandchild)


def hopping(file: str) -> None:
    """Fork on and on, each process living a moment only, for at most some seconds."""
    note(file)
    for _ in range(3000):
        time.sleep(0.001)
        if os.fork():
            os._exit(0)


def descend(file: str, *works: Any) -> None:
    for work in works:
        forked(lambda work=work: work(file))
    while not Path(file).exists() or len(Path(file).read_text().split()) < len(works):
        time.sleep(0.005)


def garble() -> None:
    """Write nonsense over the worker's own connection."""
    for fd in range(3, 1024):
        with suppress(OSError):
            socket.socket(fileno=os.dup(fd)).sendall(b"{nonsense\n")


class Unruly:
    declaration = ProbeDeclaration(
        name="unruly", title="Unruly", what="Misbehaves.", settings=Settings, readings=READINGS
    )

    async def take(self, host: Host, settings: Settings) -> AsyncIterator[Any]:
        how, file = settings.how, settings.file
        if how.startswith("wrong-"):
            for reading in WRONG[how]:
                yield reading
            return
        yield HEAT
        match how:
            case "pid":
                yield Reading(name="word", value=str(os.getpid()))
            case "series":
                series = Series(t0=0.0, dt=0.1, values=tuple(float(i) for i in range(6000)))
                yield Reading(name="chain_0", value=1.0, unit="dBm", series=series)
            case "absent":
                raise Absent("no such part", where="here", to_do="Fit one.")
            case "not-possible":
                raise NotPossible("needs the lamp on")
            case "fault":
                raise BenchFault("the fixture is open", to_do="Close it.")
            case "advice":
                raise InputError("the lamp's file is wrong", to_do="Write it anew.")
            case "hang":
                time.sleep(300)
            case "wait":
                await asyncio.sleep(300)
            case "stubborn":
                descend(file, stubborn, stubborn)
                time.sleep(300)
            case "hopping":
                descend(file, hopping, hopping, stubborn)
                time.sleep(300)
            case "leave-behind":
                descend(file, stubborn)
            case "segfault":
                print("about to fall", file=sys.stderr, flush=True)
                os.kill(os.getpid(), signal.SIGSEGV)
                time.sleep(300)
            case "exit":
                os._exit(7)
            case "sys-exit":
                sys.exit(3)
            case "exception":
                raise RuntimeError("lamp" * 500)
            case "flood":
                for i in range(10**9):
                    yield Reading(name=f"chain_{i}", value=1.0, unit="dBm")
            case "long":
                for i in range(1000):
                    series = Series(t0=0.0, dt=0.1, values=(0.123456789,) * 150_000)
                    yield Reading(name=f"chain_{i}", value=1.0, unit="dBm", series=series)
            case "endless":
                yield Reading(name="word", value="x" * (1 << 23))
            case "garble":
                garble()
                time.sleep(300)
            case "noise":
                for _ in range(200):
                    print("x" * 10_000)
                    os.write(2, b"y" * 10_000)
                yield Reading(name="word", value="heard")
            case "nothing":
                yield None


def heat(**changed: Any) -> Reading:
    return Reading(**{"name": "heat", "value": 21.5, "unit": "Cel", **changed})


def broken_contribution() -> Contribution:
    contribution = Contribution(basis="resolution", u=0.1)  # type: ignore[arg-type]
    object.__setattr__(contribution, "u", float("nan"))
    return contribution


WRONG: dict[str, list[Reading]] = {
    "wrong-nan": [heat(value=float("nan"))],
    "wrong-infinite": [heat(value=float("-inf"))],
    "wrong-huge": [heat(value=2**60)],
    "wrong-unit": [heat(unit="K")],
    "wrong-kind": [heat(value="warm")],
    "wrong-yes": [heat(value=True)],
    "wrong-text": [HEAT, Reading(name="word", value=3)],
    "wrong-surrogate": [HEAT, Reading(name="word", value="\ud800")],
    "wrong-closed": [HEAT, Reading(name="closed", value=1)],
    "wrong-name": [HEAT, Reading(name="cold", value=1.0, unit="Cel")],
    "wrong-family": [HEAT, Reading(name="chain_\nx", value=1.0, unit="dBm")],
    "wrong-twice": [HEAT, HEAT],
    "wrong-missing": [Reading(name="word", value="only this")],
    "wrong-uncertainty": [heat(contributions=(broken_contribution(),))],
    "wrong-samples": [heat(series=Series(t0=0.0, dt=0.1, values=(1.0, float("nan"))))],
}


@hookimpl
def verifier_probes() -> list[Unruly]:
    return [Unruly()]
