"""The engine's side of a station's instruments: starts their process when one is needed, asks, makes safe.

What a check switched on is made safe when the check ends, however it ends; everything is when the sitting ends.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import anyio
from anyio.abc import TaskGroup

from verifier.errors import BenchFault, InputError, NotPossible
from verifier.gather.instruments.description import Instrument
from verifier.gather.instruments.loading import load_instruments
from verifier.gather.instruments.process import GONE, InstrumentProcess, take_lock
from verifier.gather.instruments.services import ENERGISE, INSTRUMENTS
from verifier.services import Clocks, Commands, Files

OWN_SWITCH = "Switch {name} off at its own switch now: it may still be on."
SAFE_LIMIT = 20.0
"""Seconds to wait for a safe state; a process that hangs is then ended, and its watchdog does it."""
EXCHANGES = 60
"""Exchanges that one order may take at the most: so many reply timeouts are waited for it."""


class StationInstruments:
    """`async with StationInstruments(folder, clocks) as bench:`; nothing is started before it is used."""

    simulated = False
    """Whether it stands beside a simulated unit, which no real instrument sees."""

    def __init__(self, folder: Path, clocks: Clocks, instruments: dict[str, Instrument] | None = None) -> None:
        """`instruments` are the ones to know; without them, all that are described in `folder`."""
        self.folder, self._clocks = folder, clocks
        self._instruments = instruments
        self._process: InstrumentProcess | None = None
        self._tasks: TaskGroup | None = None
        self._starting = anyio.Lock()
        self.switched_on: set[str] = set()
        """What was switched on and has not said since that it is safe."""

    def load(self) -> None:
        """Read the instruments' files. InputError where one is wrong."""
        _ = self.instruments

    @property
    def instruments(self) -> dict[str, Instrument]:
        if self._instruments is None:
            self._instruments = load_instruments(self.folder)
        return self._instruments

    async def __aenter__(self) -> Self:
        self._tasks = anyio.create_task_group()
        await self._tasks.__aenter__()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        with anyio.CancelScope(shield=True):
            if self._process is not None:
                await self._process.end()
        tasks, self._tasks = self._tasks, None
        if tasks is None:
            return None
        tasks.cancel_scope.cancel()
        return await tasks.__aexit__(kind, error, trace)

    # ---- which instrument -------------------------------------------------------------------------

    def described(self, name: str) -> Instrument:
        """NotPossible when the station has no instrument of that name."""
        try:
            return self.instruments[name]
        except KeyError:
            known = ", ".join(self.instruments) or "none"
            raise NotPossible(
                f"this station has no instrument {name[:64]!r} (there are: {known})",
                to_do="Describe it in the station's folder instruments: `verifier station instruments kinds`.",
            ) from None

    def origin(self, name: str) -> str:
        """Where a reading of it comes from, with the leave to use it past its due date where that was needed."""
        instrument = self.described(name)
        serial = f"serial {instrument.serial}" if instrument.serial else "cannot identify itself"
        text = f"{name} ({serial}) at {instrument.port}"
        if (override := instrument.override) is not None and self.overdue(instrument):
            text += (
                f"; calibration was due {instrument.due}: used past it by leave of the quality lead, "
                f"until {override.until}, because: {override.why}"
            )
        return text

    def refuse_overdue(self, name: str) -> None:
        """NotPossible for one past its due date, unless the quality lead's leave is in its file and still runs."""
        instrument = self.described(name)
        if not self.overdue(instrument):
            return
        override = instrument.override
        if override is None or self._today() > override.until:
            ended = f", and the leave to use it ended {override.until}" if override else ""
            raise NotPossible(
                f"{name} is past its calibration, which was due {instrument.due}{ended}",
                to_do=f"Have it calibrated. Until then the quality lead may give leave in {name}.toml: [override] "
                "with who, why and until.",
            )

    def overdue(self, instrument: Instrument) -> bool:
        """Whether its calibration has run out."""
        return instrument.due is not None and self._today() > instrument.due

    def _today(self) -> Any:
        return datetime.fromtimestamp(self._clocks.wall(), UTC).date()

    # ---- orders ------------------------------------------------------------------------------------

    async def identify(self, name: str) -> str:
        """What it answers to the question who it is; empty for one that cannot."""
        return str(await self._order(name, {"do": "identify"}))

    async def measure(self, name: str, quantity: str, in_range: float | None = None) -> float:
        return float(await self._order(name, {"do": "measure", "quantity": quantity, "range": in_range}))

    async def switch_on(self, name: str, settings: Mapping[str, float], lease: float) -> float:
        """Set, set the trips, read back, switch on; off again by itself after `lease` seconds.

        Gives how long the last exchange took, within which the output went on.
        """
        self.switched_on.add(name)
        took = await self._order(name, {"do": "on", "settings": dict(settings), "lease": lease})
        return float(took)

    async def close_contact(self, name: str, channel: int, lease: float) -> None:
        self.switched_on.add(name)
        await self._order(name, {"do": "close", "channel": channel, "lease": lease})

    async def wait(self, seconds: float) -> None:
        """Let time pass between orders. BenchFault as soon as the instrument process has gone."""
        process = await self._running()
        with anyio.move_on_after(seconds):
            await process.ended.wait()
            raise BenchFault(GONE)

    async def is_on(self, name: str) -> bool:
        return bool(await self._order(name, {"do": "is-on"}))

    async def still(self, name: str) -> None:
        """BenchFault when it was made safe behind our back since it was switched on."""
        await self._order(name, {"do": "still"})

    async def make_safe(self, name: str) -> None:
        """Break off what it is at and command its safe state. BenchFault when it does not say that it is safe."""
        try:
            await self._order(name, {"do": "break-off"})
        except BenchFault:
            if self._process is None or not self._process.gone:
                raise
            # Its watchdog does it. Another process, once the ports are free again, sees that it is done.
            await self._order(name, {"do": "break-off"})
        self.switched_on.discard(name)

    async def make_all_safe(self) -> dict[str, str]:
        """Every instrument that can supply, load, heat or switch: name to what went wrong, empty when safe."""
        problems: dict[str, str] = {}

        async def one(name: str) -> None:
            try:
                await self.make_safe(name)
                problems[name] = ""
            except BenchFault as error:
                problems[name] = error.what

        async with anyio.create_task_group() as group:
            for name, instrument in self.instruments.items():
                if instrument.energises:
                    group.start_soon(one, name)
        return dict(sorted(problems.items()))

    async def ready(self) -> None:
        """Have the instrument process run: its start is of no check's deadline."""
        await self._running()

    async def _order(self, name: str, order: Mapping[str, Any]) -> Any:
        instrument = self.described(name)
        process = await self._running(patient=order["do"] == "break-off")
        limit = SAFE_LIMIT if order["do"] == "break-off" else 10.0 + EXCHANGES * instrument.line.timeout
        answer = await process.ask({**order, "name": name}, limit)
        if "fault" in answer:
            raise BenchFault(
                f"{name} at {instrument.port}: {answer['fault']}"[:1500],
                to_do=OWN_SWITCH.format(name=name) if order["do"] == "break-off" else "",
            )
        return answer.get("result")

    async def _running(self, *, patient: bool = False) -> InstrumentProcess:
        if self._tasks is None:
            raise RuntimeError("use it as `async with StationInstruments(...) as bench`")
        async with self._starting:
            if self._process is not None and self._process.gone:
                with anyio.CancelScope(shield=True):
                    await self._process.end()
                self._process = None
            if self._process is None:
                self._process = await self._start(patient=patient)
                self._tasks.start_soon(self._process.read)
            return self._process

    async def _start(self, *, patient: bool) -> InstrumentProcess:
        try:
            lock = await take_lock(self.folder, patient=patient)
        except OSError as error:
            raise InputError(f"cannot be used: {error.strerror}", where=str(self.folder)) from None
        described = {name: i.model_dump(mode="json") for name, i in self.instruments.items()}
        try:
            process = InstrumentProcess(lock, described)
        except OSError as error:
            raise BenchFault(f"the instrument process could not be started: {error.strerror or error}") from None
        # Shielded: a process that is half started can neither be asked nor be left.
        with anyio.CancelScope(shield=True):
            try:
                await process.start()
            except BaseException:
                await process.end()
                raise
        return process


class InstrumentHost:
    """What an instrument probe reads: the bench's instruments, and nothing else of any machine."""

    address = INSTRUMENTS
    services = frozenset({INSTRUMENTS, ENERGISE})

    def __init__(
        self, bench: StationInstruments, clocks: Clocks, deadline: float, *, beside_unit: bool = True
    ) -> None:
        self.bench, self.clocks, self._beside_unit = bench, clocks, beside_unit
        self.lease = deadline + 5.0
        """Seconds after which whatever the check switched on goes off by itself."""

    @property
    def files(self) -> Files:
        raise NotPossible("instruments have no files")

    @property
    def bench_files(self) -> Files:
        """Files of the bench computer; NotPossible where that is the unit itself."""
        if self.bench.simulated:
            raise NotPossible("beside a simulated unit there are instruments, and no bench computer to look from")
        if not self._beside_unit:
            raise NotPossible("the unit is this computer (--at local): there is no bench beside it to look from")
        from verifier.gather.hosts.local import LocalHost

        return LocalHost(self.clocks).files

    @property
    def commands(self) -> Commands:
        raise NotPossible("instruments run no commands")
