"""The pool of persistent workers: a worker serves one check at a time and is kept for the next.

It is ended, with everything the probe started, after a deadline, a crash, a flood, nonsense, or when
whoever asked goes away; one that is warm takes its place.
"""

from __future__ import annotations

import signal
from collections.abc import AsyncGenerator, Mapping
from types import TracebackType
from typing import Any, Self

import anyio
from anyio.abc import TaskGroup

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.virtual_time import hold
from verifier.gather.workers.expected import Expected
from verifier.gather.workers.process import Ended, WorkerProcess
from verifier.gather.workers.proxied import answered
from verifier.gather.workers.wire import TAKE_LIMIT, WireError, pack, shown, unpack_step
from verifier.readings import ProbeDeclaration, SoFar
from verifier.services import Host
from verifier.steps import Step

START_LIMIT = 60.0
"""Seconds that a worker may take to start: not the probe's fault, so not of its deadline."""
IDLE_LIMIT = 5
"""Workers that are kept between checks: as many as the engine uses at once, and the spare one."""


class WorkerPool:
    """`async with WorkerPool() as pool: async for reading in pool.take(...)`."""

    def __init__(self, reached: Host | None = None) -> None:
        """`reached` is a host that only this process can reach: workers ask here for what they read of it."""
        self._reached = reached
        self._idle: list[WorkerProcess] = []
        self._workers: set[WorkerProcess] = set()
        self._tasks: TaskGroup | None = None

    async def __aenter__(self) -> Self:
        self._tasks = anyio.create_task_group()
        await self._tasks.__aenter__()
        try:
            self._keep_spare()
        except BaseException:
            await self._close(None, None, None)
            raise
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> bool | None:
        return await self._close(kind, error, trace)

    async def _close(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> bool | None:
        with anyio.CancelScope(shield=True):
            async with anyio.create_task_group() as endings:
                for worker in list(self._workers):
                    endings.start_soon(self._end, worker)
        tasks, self._tasks = self._tasks, None
        if tasks is None:
            return None
        tasks.cancel_scope.cancel()
        return await tasks.__aexit__(kind, error, trace)

    async def take(
        self,
        probe: str,
        settings: Mapping[str, Any],
        host_address: str,
        *,
        declaration: ProbeDeclaration,
        deadline: float,
        so_far: SoFar | None = None,
    ) -> AsyncGenerator[Step]:
        """Readings of one take, each as it comes and held against `declaration`, and cues and the like: whoever
        takes one does what it asks for before asking for what comes next, and the probe waits for that. With
        `so_far` the take goes on after a pause.

        `deadline` is in seconds of waiting for the worker: what the caller does between two readings is not
        counted. Raises Absent or NotPossible as the probe does, and BenchFault for everything
        that is wrong with the probe or its process. Close the iterator (`contextlib.aclosing`) when
        leaving early: the worker is then ended.
        """
        worker = self._acquire(probe)
        served = False
        try:
            await self._ready(worker)
            request: dict[str, Any] = {"probe": probe, "settings": dict(settings), "host": host_address}
            reached = self._reached if self._reached and self._reached.address == host_address else None
            if reached is not None:
                request["services"] = sorted(reached.services)
            if so_far is not None:
                request["so_far"] = [pack(reading) for reading in so_far.readings]
            try:
                await worker.send(request)
            except (TypeError, ValueError) as error:
                raise BenchFault(f"the settings of {probe} cannot be passed on: {error}") from None
            expected = Expected(declaration.with_settings(settings), so_far)
            left, start = deadline, worker.received
            while True:
                began = anyio.current_time()
                message = await self._receive(worker, probe, deadline, left)
                left -= anyio.current_time() - began
                if worker.received - start > TAKE_LIMIT:
                    raise BenchFault(f"the probe {probe} gave more than can be kept, and was ended")
                if (step := unpack_step(message)) is not None:
                    yield expected.accept(step)
                    if (done := shown(step)) is not None:
                        await worker.send(done)
                    continue
                match message:
                    case {"call": [str(what), list(arguments)]} if reached is not None:
                        left -= await self._serve(worker, reached, (what, arguments), probe, deadline, left)
                    case {"end": True}:
                        served = True
                        expected.complete()
                        return
                    case {"absent": [str(what), str(where), str(to_do)]}:
                        served = True
                        raise Absent(what, where=where, to_do=to_do)
                    case {"not-possible": [str(what), str(where), str(to_do)]}:
                        served = True
                        raise NotPossible(what, where=where, to_do=to_do)
                    case {"fault": str(what), "to-do": str(to_do)}:
                        raise BenchFault(what, to_do=to_do)
                    case {"fault": str(what)}:
                        raise BenchFault(what)
                    case _:
                        raise WireError("an unknown message")
        except Ended:
            raise BenchFault(await self._obituary(worker, probe)) from None
        except WireError as error:
            raise BenchFault(f"the probe {probe} gave what is no reading, and was ended: {error}") from None
        finally:
            with anyio.CancelScope(shield=True):
                await self._release(worker, served=served)

    async def _receive(self, worker: WorkerProcess, probe: str, deadline: float, left: float) -> dict[str, Any]:
        # Around each wait by itself: a cancel scope may not stay open across a yield.
        with hold(rate=1.0), anyio.move_on_after(max(0.0, left)):
            return await worker.receive()
        raise BenchFault(f"the probe {probe} was not done after {deadline:.3g} s, and was ended")

    async def _serve(
        self,
        worker: WorkerProcess,
        host: Host,
        call: tuple[str, list[Any]],
        probe: str,
        deadline: float,
        left: float,
    ) -> float:
        """Give a worker what it asked of the host; the seconds that took, which are of the probe's deadline."""
        began = anyio.current_time()
        with anyio.move_on_after(max(0.0, left)) as scope:
            await worker.send(await answered(host, *call))
        if scope.cancelled_caught:
            raise BenchFault(f"the probe {probe} was not done after {deadline:.3g} s, and was ended")
        return anyio.current_time() - began

    async def _ready(self, worker: WorkerProcess) -> None:
        if worker.ready:
            return
        with hold(rate=1.0), anyio.move_on_after(START_LIMIT):
            match await worker.receive():
                case {"ready": True}:
                    worker.ready = True
                    return
                case {"fault": str(what)}:
                    raise BenchFault(f"no probe can run: {what}")
            raise WireError("an unknown greeting")
        raise BenchFault(f"a worker process did not start within {START_LIMIT:g} s")

    async def _obituary(self, worker: WorkerProcess, probe: str) -> str:
        code = await worker.wait(2.0)
        words = worker.last_words()
        said = f"; its last words: {words}" if words else ""
        if not worker.ready:
            return f"a worker process could not start{said}"
        how = f"exit code {code}"
        if code is not None and code > 256 - signal.NSIG:
            # The guard passes on 256 less the number of a signal.
            how = signal.strsignal(256 - code) or how
        return f"the process of the probe {probe} ended by itself ({how}){said}"

    def _acquire(self, probe: str) -> WorkerProcess:
        try:
            worker = self._idle.pop() if self._idle else self._spawn()
            self._keep_spare()
        except OSError as error:
            raise BenchFault(f"no process can be started for the probe {probe}: {error.strerror}") from None
        return worker

    def _keep_spare(self) -> None:
        if not self._idle:
            self._idle.append(self._spawn())

    def _spawn(self) -> WorkerProcess:
        if self._tasks is None:
            raise RuntimeError("the pool is closed; use it as `async with WorkerPool() as pool`")
        worker = WorkerProcess()
        self._workers.add(worker)
        self._tasks.start_soon(worker.drain)
        return worker

    async def _release(self, worker: WorkerProcess, *, served: bool) -> None:
        kept = served and worker in self._workers and len(self._idle) < IDLE_LIMIT
        if kept and not worker.left_something():
            self._idle.append(worker)
        else:
            await self._end(worker)

    async def _end(self, worker: WorkerProcess) -> None:
        self._workers.discard(worker)
        if worker in self._idle:
            self._idle.remove(worker)
        await worker.end()
