"""The process in which probes run. Never imported by the parent; started by the pool.

Two processes: the guard, which runs nothing but the few lines below, and its child, which runs the
probes. The guard is the child subreaper of everything the probes start. When the child ends, or when
the station's process dies, even by SIGKILL, the guard ends the whole tree and goes. So a probe that
hangs, forks away or ignores signals outlives neither.
"""

from __future__ import annotations

import os
import signal
import socket
import sys
import time
import traceback
from contextlib import suppress
from typing import Any, NoReturn

import anyio

from verifier.errors import Absent, BenchFault, NotPossible, VerifierError
from verifier.gather.parentage import adopt_orphans, die_with
from verifier.gather.workers.descendants import ending
from verifier.gather.workers.proxied import ProxiedHost, taken
from verifier.gather.workers.wire import decode, encode, pack_step, shown, take_in, unpack
from verifier.readings import SoFar
from verifier.services import Host

ENDING_LIMIT = 2.0
"""Seconds after which the guard gives up on processes that will not die."""
_WATCHED = {signal.SIGTERM, signal.SIGCHLD, signal.SIGINT, signal.SIGHUP}


def main(descriptor: int, parent: int) -> NoReturn:
    """Serve over the socket `descriptor` until it closes; `parent` is the process id of the station."""
    adopt_orphans()
    signal.pthread_sigmask(signal.SIG_BLOCK, _WATCHED)
    die_with(parent, signal.SIGTERM)
    guard = os.getpid()
    child = os.fork()
    if child:
        os.close(descriptor)
        _guard(child)
    die_with(guard, signal.SIGKILL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, _WATCHED)
    os.set_inheritable(descriptor, False)  # noqa: FBT003 - its own name says it
    with socket.socket(fileno=descriptor) as connection:
        _serve(connection)
    os._exit(0)


def _guard(child: int) -> NoReturn:
    code = None
    while code is None:
        if signal.sigwait(_WATCHED) != signal.SIGCHLD:
            code = 0
        code = _reap(child, code)
    until = time.monotonic() + ENDING_LIMIT
    while True:
        for _ in ending(os.getpid()):
            time.sleep(0.005)
            _reap(child, None)
        # Looking through /proc can miss one that forks and goes meanwhile. The kernel does not: whoever lost
        # its parent is a child of ours.
        if _childless() or time.monotonic() > until:
            break
    os._exit(code)


def _childless() -> bool:
    try:
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass
    except ChildProcessError:
        return True
    return False


def _reap(child: int, code: int | None) -> int | None:
    """Take leave of the dead; the exit code of `child` if it is among them."""
    with suppress(ChildProcessError):
        while True:
            pid, status = os.waitpid(-1, os.WNOHANG)
            if pid == 0:
                break
            if pid == child:
                code = os.waitstatus_to_exitcode(status) % 256
    return code


def _serve(connection: socket.socket) -> None:
    from verifier.gather.catalogue import load_catalogue
    from verifier.gather.hosts import local, opening, recorded  # noqa: F401 - warm before the first check

    def say(message: dict[str, Any]) -> None:
        connection.sendall(encode(message))

    try:
        catalogue = load_catalogue()
    except VerifierError as error:
        say({"fault": error.what})
        return
    say({"ready": True})
    with connection.makefile("rb") as lines:

        def ask(what: str, arguments: list[Any]) -> Any:
            say({"call": [what, arguments]})
            return taken(decode(lines.readline() or b"{}"))

        for line in lines:
            request = decode(line)

            async def take(request: dict[str, Any] = request) -> None:
                from verifier.gather.clocks import RealClocks
                from verifier.gather.workers.running import run_probe

                host: Host
                if "services" in request:
                    host = ProxiedHost(request["host"], frozenset(request["services"]), RealClocks(), ask)
                else:
                    host = opening.open_host(request["host"], RealClocks())
                probe, packed = catalogue.probe(request["probe"]), request.get("so_far")
                so_far = None if packed is None else SoFar(readings=tuple(map(unpack, packed)))
                async for step in run_probe(probe, host, request["settings"], so_far):
                    say(pack_step(step))
                    if shown(step) is not None:
                        take_in(step, decode(lines.readline() or b"{}"))

            # A loop of its own for each take: nothing a probe leaves running reaches the next.
            say(_outcome(take))
            _reap_zombies()


def _outcome(take: Any) -> dict[str, Any]:
    try:
        anyio.run(take)
    except Absent as error:
        return {"absent": [error.what, error.where, error.to_do]}
    except NotPossible as error:
        return {"not-possible": [error.what, error.where, error.to_do]}
    except BenchFault as error:
        if error.__cause__ is not None:
            traceback.print_exception(error.__cause__, limit=-8, file=sys.stderr)
        return {"fault": error.what, "to-do": error.to_do}
    except VerifierError as error:
        return {"fault": error.what, "to-do": error.to_do}
    except BaseException as error:  # even SystemExit: a probe does not end its worker by leaving
        traceback.print_exception(error, limit=-8, file=sys.stderr)
        return {"fault": f"the probe broke down: {type(error).__name__}: {str(error)[:300]}"}
    return {"end": True}


def _reap_zombies() -> None:
    with suppress(ChildProcessError):
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass
