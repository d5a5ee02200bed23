"""A host that only the station's own process can reach, as a probe in a worker sees it: both ends.

The station owns the one connection, its pinned key and its lock; a worker asks it for each reading by
name and waits for the answer. It can ask for these few things and for no others.
"""

from __future__ import annotations

import base64
import errno
import os
from collections.abc import Callable
from typing import Any, Literal

from verifier.errors import Absent, BenchFault, NotPossible, Refused, VerifierError
from verifier.gather.workers.wire import WireError
from verifier.services import (
    Carried,
    Clocks,
    CommandResult,
    Host,
    InputEvent,
    TimeReferences,
    bulk_of,
    console_of,
    input_of,
    load_of,
)

READ_LIMIT = 1 << 21
"""Bytes that one read may ask for."""
LONGEST_RUN = 3600.0
"""Seconds that one command may take."""
LONGEST_LOAD = 4 * 3600.0
"""Seconds that a load may be asked for."""
Ask = Callable[[str, list[Any]], Any]
"""From the worker: asks the station for one thing and waits for it."""


# ---- the station's end --------------------------------------------------------------------------


async def answered(host: Host, what: str, arguments: list[Any]) -> dict[str, Any]:
    """What the host gives, or how it refuses, as a message. WireError for what cannot be asked."""
    try:
        return {"given": await _given(host, what, arguments)}
    except Absent as error:
        return {"absent": [error.what, error.where, error.to_do]}
    except NotPossible as error:
        return {"not-possible": [error.what, error.where, error.to_do]}
    except Refused as error:
        return {"refused": error.what, "to-do": error.to_do}
    except VerifierError as error:
        return {"fault": error.what, "to-do": error.to_do}
    except OSError as error:
        return {"os": [error.errno or errno.EIO, str(error.filename or "")]}


async def _given(host: Host, what: str, arguments: list[Any]) -> Any:
    match what, arguments:
        case "read", [str(path), int(limit)] if 0 < limit <= READ_LIMIT:
            return base64.b64encode(await host.files.read(path, limit)).decode("ascii")
        case "names", [str(path)]:
            return await host.files.names(path)
        case "real-path", [str(path)]:
            return await host.files.real_path(path)
        case "exists", [str(path)]:
            return await host.files.exists(path)
        case "run", [list(argv), int() | float() as timeout] if (
            argv and all(isinstance(word, str) for word in argv) and 0 < timeout <= LONGEST_RUN
        ):
            result = await host.commands.run(*argv, timeout=float(timeout))
            return {"exit": result.exit, "stdout": result.stdout}
        case "axis", [str(device), int(code)]:
            return await input_of(host).axis(device, code)
        case "record", [str(device), int() | float() as seconds] if 0 < seconds <= LONGEST_RUN:
            events = await input_of(host).record(device, float(seconds))
            return [[event.kind, event.code, event.value, event.at] for event in events]
        case "carry", [("up" | "down") as way, int() | float() as seconds] if 0 < seconds <= LONGEST_RUN:
            carried = await bulk_of(host).carry(way, float(seconds))
            return [carried.octets, carried.seconds]
        case "load", [int() | float() as seconds] if 0 < seconds <= LONGEST_LOAD:
            return await load_of(host).start(float(seconds))
        case "load-renewed", []:
            return await load_of(host).renew()
        case "load-off", []:
            return await load_of(host).stop()
        case "ask", [str(command)]:
            return await console_of(host).ask(command)
    raise WireError(f"asked for {what!r:.60}, which no host gives")


# ---- the worker's end ---------------------------------------------------------------------------


def taken(message: dict[str, Any]) -> Any:
    """What the station gave; raises what it said instead."""
    match message:
        case {"given": given}:
            return given
        case {"absent": [str(what), str(where), str(to_do)]}:
            raise Absent(what, where=where, to_do=to_do)
        case {"not-possible": [str(what), str(where), str(to_do)]}:
            raise NotPossible(what, where=where, to_do=to_do)
        case {"os": [int(number), str(name)]}:
            raise OSError(number, os.strerror(number), name)
        case {"refused": str(what), "to-do": str(to_do)}:
            raise Refused(what, to_do=to_do)
        case {"fault": str(what), "to-do": str(to_do)}:
            raise BenchFault(what, to_do=to_do)
    raise BenchFault("the station gave an answer that is none")


class _Files:
    def __init__(self, ask: Ask) -> None:
        self._ask = ask

    async def read(self, path: str, limit: int = 65_536) -> bytes:
        return base64.b64decode(self._ask("read", [path, limit]))

    async def names(self, path: str) -> list[str]:
        return list(self._ask("names", [path]))

    async def real_path(self, path: str) -> str:
        return str(self._ask("real-path", [path]))

    async def exists(self, path: str) -> bool:
        return bool(self._ask("exists", [path]))


class _Commands:
    def __init__(self, ask: Ask) -> None:
        self._ask = ask

    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        given = self._ask("run", [list(argv), timeout])
        return CommandResult(argv=argv, exit=given["exit"], stdout=given["stdout"])


class _Console:
    def __init__(self, ask: Ask) -> None:
        self._ask = ask

    async def ask(self, command: str) -> str:
        return str(self._ask("ask", [command]))


class _Input:
    def __init__(self, ask: Ask) -> None:
        self._ask = ask

    async def axis(self, device: str, code: int) -> tuple[int, int] | None:
        found = self._ask("axis", [device, code])
        return None if found is None else (int(found[0]), int(found[1]))

    async def record(self, device: str, seconds: float) -> tuple[InputEvent, ...]:
        events = self._ask("record", [device, seconds])
        return tuple(InputEvent(kind=k, code=c, value=v, at=at) for k, c, v, at in events)


class _Bulk:
    def __init__(self, ask: Ask) -> None:
        self._ask = ask

    async def carry(self, way: Literal["up", "down"], seconds: float) -> Carried:
        octets, took = self._ask("carry", [way, seconds])
        return Carried(octets=int(octets), seconds=float(took))


class _Load:
    def __init__(self, ask: Ask) -> None:
        self._ask = ask

    async def start(self, seconds: float) -> str:
        return str(self._ask("load", [seconds]))

    async def renew(self) -> None:
        self._ask("load-renewed", [])

    async def stop(self) -> None:
        self._ask("load-off", [])


class ProxiedHost:
    """Offers what the real host offers. A call blocks the worker's event loop; its parent keeps the deadline."""

    def __init__(self, address: str, services: frozenset[str], clocks: Clocks, ask: Ask) -> None:
        self.address, self.services, self.clocks = address, services, clocks
        self._files, self._commands, self._console = _Files(ask), _Commands(ask), _Console(ask)
        self._input, self._load, self._bulk = _Input(ask), _Load(ask), _Bulk(ask)

    @property
    def files(self) -> _Files:
        self._need("files")
        return self._files

    @property
    def commands(self) -> _Commands:
        self._need("commands")
        return self._commands

    @property
    def console(self) -> _Console:
        self._need("console")
        return self._console

    @property
    def reference(self) -> TimeReferences:
        self._need("reference")
        from verifier.gather.hosts.bench_time import BenchTime

        return BenchTime(self.clocks)

    @property
    def input(self) -> _Input:
        self._need("input")
        return self._input

    @property
    def load(self) -> _Load:
        self._need("load")
        return self._load

    @property
    def bulk(self) -> _Bulk:
        self._need("bulk")
        return self._bulk

    def _need(self, service: str) -> None:
        if service not in self.services:
            raise NotPossible(f"{self.address} offers no {service}")
