"""What instruments and their lines do wrong, with real bytes: a bench fault that names instrument and step."""

from __future__ import annotations

import os
import signal
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import anyio
import pytest
from instrument_bench import TestInstruments

from verifier.errors import BenchFault, InputError, NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.instruments.bench import StationInstruments
from verifier.gather.instruments.server import Server
from verifier.gather.instruments.taker import InstrumentTaker
from verifier.readings import Reading

CATALOGUE = load_catalogue()


@pytest.fixture(scope="module")
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, instruments: TestInstruments) -> Path:
    return instruments.describe(tmp_path_factory.mktemp("station") / "instruments")


@pytest.fixture(autouse=True)
def well_behaved(instruments: TestInstruments) -> Iterator[None]:
    yield
    instruments.tell(misbehave=dict.fromkeys(instruments.ports, ""), ohms=100, noise=0, celsius=23.4)


def with_bench(folder: Path, work: Any) -> Any:
    async def go() -> Any:
        async with StationInstruments(folder, RealClocks()) as bench:
            return await work(bench)

    try:
        return anyio.run(go)
    except BaseExceptionGroup as group:
        raise group.exceptions[0] from None


async def nobody(_name: str) -> None:
    """Hands are clear."""


async def take(
    bench: StationInstruments, probe: str, deadline: float = 30.0, **settings: Any
) -> dict[str, Reading]:
    taker = InstrumentTaker(bench, CATALOGUE, RealClocks(), nobody)
    declaration = CATALOGUE.declaration(probe)
    assert declaration is not None
    taken = taker.take(probe, settings, "none", declaration=declaration, deadline=deadline)
    return {reading.name: reading async for reading in taken}  # type: ignore[union-attr,misc]


SAID = {
    "silence": "no reply within 0.4 s",
    "garbage": "garbage",
    "echo": "came back as an echo",
    "slow": "within 0.4 s",
    "partial": "only part of a reply",
    "flood": "flood",
    "overload": "9.9E37",
    "nan": "9.91E37",
    "error": "-222 Data out of range",
    "endless": "does not empty",
    "swapped": "Are two instruments swapped?",
}


def test_every_misbehaviour_is_a_bench_fault_and_the_next_check_goes_well(
    folder: Path, instruments: TestInstruments
) -> None:
    async def work(bench: StationInstruments) -> None:
        for how, said in SAID.items():
            instruments.misbehave("meter", how)
            with pytest.raises(BenchFault) as told:
                await take(bench, "instrument.resistance", instrument="meter")
            assert told.value.what.startswith("meter at /dev/pts/"), "names the instrument"
            assert "measure resistance: " in told.value.what or "identify: " in told.value.what, "names the step"
            assert said in told.value.what, how
            instruments.misbehave("meter", "")
            found = await take(bench, "instrument.resistance", instrument="meter")
            assert found["value"].value == pytest.approx(100), f"after {how}"

    with_bench(folder, work)


def test_each_quantity_comes_with_unit_origin_and_uncertainty(folder: Path, instruments: TestInstruments) -> None:
    async def work(bench: StationInstruments) -> None:
        reading = (await take(bench, "instrument.resistance", instrument="meter", samples=4, interval=0.0))[
            "value"
        ]
        assert reading.unit == "Ohm" and reading.series is not None and len(reading.series.values) == 4
        assert reading.origin.startswith("meter (serial METER-001) at /dev/pts/")
        assert {c.basis.value for c in reading.contributions} == {"specification", "resolution", "repeats"}
        assert reading.contributions[-1].u > 0, "the noise of the instrument shows"
        warm = (await take(bench, "instrument.temperature", instrument="thermometer"))["value"]
        assert (warm.value, warm.unit) == (23.4, "Cel")
        assert "cannot identify itself" in warm.origin
        power = (await take(bench, "instrument.power", instrument="power"))["value"]
        assert (power.value, power.unit) == (pytest.approx(0.0, abs=0.1), "W")

    instruments.tell(noise=0.01)
    with_bench(folder, work)


def test_a_thermometer_with_an_open_sensor_gives_no_value(folder: Path, instruments: TestInstruments) -> None:
    instruments.misbehave("thermometer", "overload")

    async def work(bench: StationInstruments) -> None:
        with pytest.raises(BenchFault, match=r"thermometer .* beyond its range"):
            await take(bench, "instrument.temperature", instrument="thermometer")

    with_bench(folder, work)


def test_load_draws_only_while_it_measures(folder: Path, instruments: TestInstruments) -> None:
    async def work(bench: StationInstruments) -> None:
        found = await take(bench, "instrument.load", instrument="load", current=2.0, settle=0.0)
        # 5 V behind 0.2 Ω at 2 A: 4.6 V.
        assert found["unloaded"].value == pytest.approx(5.0)
        assert found["loaded"].value == pytest.approx(4.6)
        assert found["stayed_on"].value is True
        assert not instruments.on("load")

    with_bench(folder, work)


def test_a_contact_is_closed_only_while_measuring(folder: Path, instruments: TestInstruments) -> None:
    async def work(bench: StationInstruments) -> None:
        await take(bench, "instrument.resistance", instrument="meter", relay="relays", channel=3)
        state = instruments.tell()["relays"]
        assert "RLY 3,1" in state["heard"] and not state["on"]

    with_bench(folder, work)


def test_a_trip_of_the_supply_shows_as_a_reading_not_as_a_bench_fault(
    folder: Path, instruments: TestInstruments
) -> None:
    """The unit draws too much: that is the unit's own fault."""
    instruments.tell(ohms=0.5, misbehave={"supply": "deaf"})

    async def work(bench: StationInstruments) -> None:
        with pytest.raises(BenchFault, match="reads back as"):
            await take(bench, "instrument.supply", instrument="supply", voltage=5.0, current_limit=0.5)
        assert not instruments.on()
        instruments.misbehave("supply", "")
        found = await take(
            bench, "instrument.supply", instrument="supply", voltage=5.0, current_limit=0.5, settle=0.0
        )
        assert found["current"].value == pytest.approx(0.5), "held at the limit"
        assert found["voltage"].value == pytest.approx(0.25)

    with_bench(folder, work)


def test_past_the_deadline_the_output_is_off(folder: Path, instruments: TestInstruments) -> None:
    async def work(bench: StationInstruments) -> None:
        with pytest.raises(BenchFault, match=r"supply: instrument.supply was not done after 0.3 s"):
            await take(
                bench, "instrument.supply", 0.3, instrument="supply", voltage=5.0, current_limit=0.5, settle=20.0
            )
        assert not instruments.on()

    with_bench(folder, work)


def test_an_output_that_nobody_looks_after_goes_off_by_itself(folder: Path, instruments: TestInstruments) -> None:
    """The engine hangs rather than dies: the lease of what is on runs out."""

    async def work(bench: StationInstruments) -> None:
        await bench.switch_on("supply", {"voltage": 5.0, "current": 0.5}, lease=1.5)
        assert await bench.is_on("supply")
        assert instruments.goes_off()
        for quantity in ("voltage", "current"):
            with pytest.raises(BenchFault, match="the time for which it was switched on is over"):
                await bench.measure("supply", quantity)  # never blamed on the unit
        await bench.make_safe("supply")
        assert await bench.measure("supply", "voltage") == 0.0

    with_bench(folder, work)


def test_a_supply_that_does_not_switch_off_is_told_and_never_hidden(
    folder: Path, instruments: TestInstruments
) -> None:
    async def work(bench: StationInstruments) -> None:
        with pytest.raises(BenchFault, match="could not be made safe") as told:
            async with trying_to_leave(bench, instruments):
                pass
        assert "Switch supply off at its own switch now" in told.value.to_do
        instruments.misbehave("supply", "")
        assert instruments.goes_off(), "it is tried again until it is off"

    with_bench(folder, work)


@asynccontextmanager
async def trying_to_leave(bench: StationInstruments, instruments: TestInstruments) -> AsyncIterator[None]:
    taker = InstrumentTaker(bench, CATALOGUE, RealClocks(), nobody)
    declaration = CATALOGUE.declaration("instrument.supply")
    assert declaration is not None
    settings = {"instrument": "supply", "voltage": 5.0, "current_limit": 0.5, "settle": 0.0}
    async for reading in taker.take("instrument.supply", settings, "none", declaration=declaration, deadline=30):
        if isinstance(reading, Reading) and reading.name == "stayed_on":
            instruments.misbehave("supply", "stubborn")
    yield


def test_what_the_station_does_not_have_or_allow_is_not_run(folder: Path) -> None:
    async def work(bench: StationInstruments) -> None:
        for said, probe, settings in (
            ("no instrument 'scope'", "instrument.voltage", {"instrument": "scope"}),
            ("does not measure temperature", "instrument.temperature", {"instrument": "meter"}),
            ("no accuracy specification", "instrument.frequency", {"instrument": "meter"}),
            ("no range of 7 V", "instrument.voltage", {"instrument": "meter", "range": 7.0}),
        ):
            with pytest.raises(NotPossible, match=said):
                await take(bench, probe, **settings)

    with_bench(folder, work)


@pytest.mark.parametrize("at", ["recorded:/tmp", "simulated"])
def test_a_reading_never_joins_a_unit_that_is_not_on_the_bench(folder: Path, at: str) -> None:
    async def work(bench: StationInstruments) -> None:
        taker = InstrumentTaker(bench, CATALOGUE, RealClocks(), nobody)
        declaration = CATALOGUE.declaration("instrument.voltage")
        assert declaration is not None
        with pytest.raises(NotPossible, match="see no"):
            async for _ in taker.take(
                "instrument.voltage", {"instrument": "meter"}, at, declaration=declaration, deadline=5
            ):
                pass

    with_bench(folder, work)


def test_an_adapter_unplugged_in_the_middle_of_a_reading(tmp_path: Path) -> None:
    """A line that ends while a reply is awaited: over a socket, which tells it as an unplugged adapter does."""
    server = socket.create_server(("127.0.0.1", 0))

    def one_reading_and_gone() -> None:
        line, _ = server.accept()
        with line, line.makefile("rb") as messages:
            for message in messages:
                answer = {b"SYST:ERR?\n": b'0,"No error"\n', b"*IDN?\n": b"EXAMPLE,DM1,METER-001,1.0\n"}.get(
                    message
                )
                if message.startswith(b"MEAS"):
                    line.send(b"1.2")
                    break
                if answer:
                    line.send(answer)

    thread = threading.Thread(target=one_reading_and_gone, daemon=True)
    thread.start()
    (tmp_path / "meter.toml").write_text(
        f'kind = "scpi-multimeter"\nport = "socket://127.0.0.1:{server.getsockname()[1]}"\nserial = "METER-001"\n'
        "due = 2999-01-01\n[quantities.voltage]\nranges = [{ of_reading = 0.1, resolution = 0.001 }]\n"
    )

    async def work(bench: StationInstruments) -> None:
        with pytest.raises(BenchFault, match=r"meter at socket://.*: measure voltage: the line broke"):
            await take(bench, "instrument.voltage", instrument="meter")

    with_bench(tmp_path, work)
    server.close()
    thread.join(10)


def test_a_supply_that_fails_while_it_is_on_is_off_at_once(folder: Path, instruments: TestInstruments) -> None:
    """It obeys, but nobody can hear that: so it is told that it may still be on."""

    async def work(bench: StationInstruments) -> None:
        wanted: dict[str, Any] = {"instrument": "supply", "voltage": 5.0, "current_limit": 0.5, "settle": 0.5}
        async with anyio.create_task_group() as group:
            group.start_soon(turn_bad)
            with pytest.raises(BenchFault, match=r"garbage .* could not be made safe") as told:
                await take(bench, "instrument.supply", **wanted)
        assert "Switch supply off at its own switch now" in told.value.to_do
        assert not instruments.on()
        instruments.misbehave("supply", "")
        await bench.make_safe("supply")

    async def turn_bad() -> None:
        while not instruments.on():
            await anyio.sleep(0.01)
        instruments.misbehave("supply", "garbage")

    with_bench(folder, work)


def test_an_instrument_process_that_hangs_is_ended_and_the_output_is_off(
    folder: Path, instruments: TestInstruments, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The engine lives, so that its watchdog waits; whoever wants all safe ends it after a while."""
    monkeypatch.setattr("verifier.gather.instruments.bench.SAFE_LIMIT", 2.0)

    async def work(bench: StationInstruments) -> None:
        await bench.switch_on("supply", {"voltage": 5.0, "current": 0.5}, lease=600.0)
        os.kill(int((folder / ".lock").read_text()), signal.SIGSTOP)
        assert instruments.on()
        await bench.make_safe("supply")
        assert not instruments.on()

    with_bench(folder, work)


def test_a_process_that_cannot_be_started_is_told_in_words(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("verifier.gather.instruments.process.sys.executable", "/nowhere/python")

    async def work(bench: StationInstruments) -> None:
        with pytest.raises(BenchFault, match="could not be started: No such file"):
            await bench.identify("meter")

    with_bench(folder, work)


def test_a_lock_that_cannot_be_made_is_told_with_its_folder(
    folder: Path, tmp_path: Path, instruments: TestInstruments
) -> None:
    described = instruments.describe(tmp_path / "instruments", "meter")
    (described / ".lock").mkdir()  # stands for a folder that may not be written to, which root always may

    async def work(bench: StationInstruments) -> None:
        with pytest.raises(InputError, match="cannot be used"):
            await bench.identify("meter")

    with_bench(described, work)


def test_a_port_that_is_not_there_and_a_loop_that_only_echoes(tmp_path: Path) -> None:
    text = 'kind = "scpi-multimeter"\nport = "PORT"\nserial = "1"\ndue = 2999-01-01\n[line]\ntimeout = 0.2\n' + (
        "[quantities.voltage]\nranges = [{ of_reading = 0.1, resolution = 0.001 }]\n"
    )
    (tmp_path / "gone.toml").write_text(text.replace("PORT", "/dev/ttyUSB-none"))
    (tmp_path / "echo.toml").write_text(text.replace("PORT", "loop://"))

    async def work(bench: StationInstruments) -> None:
        with pytest.raises(BenchFault, match="gone at /dev/ttyUSB-none: identify: the port is not there"):
            await take(bench, "instrument.voltage", instrument="gone")
        with pytest.raises(BenchFault, match=r"echo at loop://: identify: .* as an echo"):
            await take(bench, "instrument.voltage", instrument="echo")

    with_bench(tmp_path, work)


def test_one_process_a_station_owns_the_ports(folder: Path) -> None:
    async def work(bench: StationInstruments) -> None:
        await bench.identify("meter")
        async with StationInstruments(folder, RealClocks()) as second:
            with pytest.raises(InputError, match="another run has the instruments"):
                await second.identify("meter")

    with_bench(folder, work)


def test_past_its_due_date_an_instrument_is_refused_unless_the_quality_lead_gave_leave(
    tmp_path: Path, instruments: TestInstruments
) -> None:
    file = instruments.describe(tmp_path, "meter") / "meter.toml"
    text = file.read_text().replace("due = 2999-03-01", "due = 2020-03-01")
    leave = '[override]\nwho = "Q01"\nwhy = "sent away in week 40"\nuntil = UNTIL\n'

    async def read(bench: StationInstruments) -> Reading:
        return (await take(bench, "instrument.resistance", instrument="meter"))["value"]

    file.write_text(text)
    with pytest.raises(NotPossible, match="meter is past its calibration, which was due 2020-03-01"):
        with_bench(tmp_path, read)
    file.write_text(text + leave.replace("UNTIL", "2020-04-01"))
    with pytest.raises(NotPossible, match="the leave to use it ended 2020-04-01"):
        with_bench(tmp_path, read)
    file.write_text(text + leave.replace("UNTIL", "2999-04-01"))
    reading = with_bench(tmp_path, read)
    assert (
        "used past it by leave of the quality lead, until 2999-04-01, because: sent away in week 40"
        in reading.origin
    )
    assert "Q01" not in reading.origin, "people are named at the station, not in the record"


class _WatchdogThatWillNotStart:
    """Stands in for `Watched` on a machine on which, for a moment, no process can be started."""

    def __init__(self) -> None:
        self.gone, self.minded = threading.Event(), threading.Event()
        self.process: Any = self._Process(self.gone)
        self.tries = 0

    class _Process:
        def __init__(self, ends: threading.Event, waited: threading.Event | None = None) -> None:
            self.ends, self.waited = ends, waited

        def wait(self) -> None:
            if self.waited is not None:
                self.waited.set()
            self.ends.wait(20)

    def lost(self, _process: Any) -> None: ...

    def start(self) -> None:
        self.tries += 1
        if self.tries == 1:
            raise OSError("no process can be started")
        self.process = self._Process(threading.Event(), self.minded)


def test_a_watchdog_that_cannot_be_started_again_is_tried_again_and_then_minded() -> None:
    """Else a later one would run with nobody to see it die, and the output would stay on without one."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        server = Server(theirs, os.getpid(), -1)
        server.watched = watched = _WatchdogThatWillNotStart()  # type: ignore[assignment]
        threading.Thread(target=server._mind_watchdog, daemon=True).start()
        watched.gone.set()
        assert watched.minded.wait(10) and watched.tries == 2
