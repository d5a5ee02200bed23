"""A unit behind a serial console: real bytes over a pty, healthy and with everything that a line can do."""

from __future__ import annotations

import socket
import sys
import threading
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.declare.suite import Console
from verifier.errors import BenchFault, HostError, InputError, NotPossible, Refused
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import Access, open_host
from verifier.gather.hosts.console import ConsoleHost
from verifier.gather.probes.reply_form import ReplyForm, number_in
from verifier.gather.workers import WorkerPool, run_probe
from verifier.gather.workers.proxied import answered, taken
from verifier.readings import Basis, Reading

sys.path.insert(0, str(Path(__file__).parent))
from orlop import Orlop

BACKENDS = pytest.mark.parametrize("backend", ["asyncio", "trio"])
LINE = Console(error=r"ERR \d+ .*", wait="400 ms", safe=("RLY 1,0", "RLY 2,0"))  # type: ignore[arg-type]


@pytest.fixture
def logger() -> Iterator[Orlop]:
    with Orlop() as made:
        yield made


def host_at(port: str, settings: Console | None = LINE) -> ConsoleHost:
    host = open_host(f"serial:{port}", RealClocks(), access=Access(console=settings))
    assert isinstance(host, ConsoleHost)
    return host


def at(
    port: str, work: Callable[[ConsoleHost], Awaitable[Any]], settings: Console = LINE, backend: str = "asyncio"
) -> Any:
    async def run() -> Any:
        host = host_at(port, settings)
        await host.start()
        try:
            return await work(host)
        finally:
            await host.aclose()

    return anyio.run(run, backend=backend)


def take(host: ConsoleHost, name: str, **settings: Any) -> Awaitable[dict[str, Reading]]:
    async def collect() -> dict[str, Reading]:
        return {r.name: r async for r in run_probe(load_catalogue().probe(name), host, settings)}

    return collect()


# ---- healthy --------------------------------------------------------------------------------------


@BACKENDS
def test_identity_inputs_and_relays(logger: Orlop, backend: str) -> None:
    async def work(host: ConsoleHost) -> None:
        found = await take(host, "console.query", send="ID?", reply="{maker},{model},{serial},{firmware}")
        assert {n: r.value for n, r in found.items()} == {
            "maker": "MARROWBY", "model": "ORLOP", "serial": "OR-10423", "firmware": "2.7",
        }  # fmt: skip
        query = {"send": "IN? 1", "reply": "{current}", "units": {"current": "mA"}}
        switched = {"first": ["RLY 1,1"], "last": ["RLY 1,0"]}
        closed = (await take(host, "console.query", **query, **switched))["current"]
        assert (closed.value, closed.unit, closed.origin) == (12.0, "mA", "console: IN? 1")
        # The last digit is 0.01 mA: u = 0.01/√12 (JCGM 100:2008, F.2.2.1).
        assert closed.contributions[0].basis is Basis.RESOLUTION
        assert closed.contributions[0].u == pytest.approx(0.01 / 12**0.5)
        assert (await take(host, "console.query", **query))["current"].value == 0.0
        assert (await take(host, "console.command", send=["LMP 1"]))["commands"].value == 1 and logger.lamp

    at(logger.port, work, backend=backend)


def test_clock_is_held_against_the_station(logger: Orlop) -> None:
    logger.behind = 100.0
    found = at(logger.port, lambda host: take(host, "console.time"))
    assert found["valid"].value is True and found["time"].origin == "console: TIME?"
    # Shown in whole seconds: the half second in the middle is added, and half a second either way is not known.
    assert found["ahead"].value == pytest.approx(-100.0, abs=1.0)
    logger.answer = lambda command: b"2026-02-30 10:00:00\r\n"
    assert at(logger.port, lambda host: take(host, "console.time"))["valid"].value is False


def test_unit_is_brought_to_rest_when_the_line_is_opened_and_closed(logger: Orlop) -> None:
    async def work(host: ConsoleHost) -> None:
        assert logger.heard == ["RLY 1,0", "RLY 2,0"]
        await host.console.ask("RLY 2,1")
        assert logger.relays[2]

    at(logger.port, work)
    assert logger.heard[-2:] == ["RLY 1,0", "RLY 2,0"] and not logger.relays[2]


def test_echo_and_other_endings(logger: Orlop) -> None:
    logger.answer = lambda command: f"{command}\r{logger.reply(command)}\r".encode()
    settings = Console(ending="cr", echo=True)
    assert at(logger.port, lambda host: host.console.ask("ID?"), settings) == "MARROWBY,ORLOP,OR-10423,2.7"
    logger.answer = lambda command: b"OK\r"
    with pytest.raises(BenchFault, match="was not echoed as the suite says"):
        at(logger.port, lambda host: host.console.ask("ID?"), settings)


def test_behind_a_network_adapter() -> None:
    """pyserial's socket:// on loopback, from the same thread's event loop."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            connection, _ = server.accept()
            with connection, connection.makefile("rwb") as stream:
                for line in stream:
                    stream.write(b"OK\r\n" if line == b"RLY 1,1\r\n" else b"ERR 2 unknown command\r\n")
                    stream.flush()

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        port = f"socket://127.0.0.1:{server.getsockname()[1]}"
        settings = LINE.model_copy(update={"safe": ()})
        assert at(port, lambda host: host.console.ask("RLY 1,1"), settings) == "OK"
        thread.join(5)


# ---- faults ---------------------------------------------------------------------------------------

FAULTS: dict[str, tuple[bytes, str]] = {
    "silence": (b"", "did not answer “IN\\? 1” within 0.4 s"),
    "part of a reply": (b"12.", "“IN\\? 1” broke off after “12\\.”"),
    "an error reply": (b"ERR 7 input off scale\r\n", "the unit refused “IN\\? 1”: ERR 7 input off scale"),
    "an echo": (b"IN? 1\r\n", "“IN\\? 1” came back as it was sent"),
    "garbage": (b"\xf8\x00\x9a\r\n", "“IN\\? 1” was answered by what is no text"),
    "control characters": (b"\x1b[2J12.00\r\n", "what is no text"),
    "garbage without end": (b"U" * 3000, "answered without end"),
    "another form": (b"12,00 mA\r\n", "which is no number"),
    "not a number": (b"nan\r\n", "which is no number"),
    "a wrong ending": (b"12.00\n", "broke off after “12.00"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_what_a_line_can_do_is_the_benchs_fault_and_names_the_step(logger: Orlop, fault: str) -> None:
    sent, words = FAULTS[fault]

    async def work(host: ConsoleHost) -> None:
        logger.answer = lambda command: sent if command == "IN? 1" else None
        with pytest.raises(BenchFault, match=words) as caught:
            await take(
                host, "console.query", send="IN? 1", reply="{current}", units={"current": "mA"}, last=["RLY 1,0"]
            )
        assert caught.value.what.isprintable() and len(caught.value.what) < 400
        assert logger.heard[-1] == "RLY 1,0"
        # Nothing of it is left for the next command.
        logger.answer = lambda command: None
        assert await host.console.ask("ID?") == "MARROWBY,ORLOP,OR-10423,2.7"

    at(logger.port, work)


def test_a_unit_that_refuses_is_told_apart_from_one_that_is_silent_in_a_worker_too(logger: Orlop) -> None:
    async def work(host: ConsoleHost) -> None:
        for sent, kind in ((b"ERR 7 no time\r\n", Refused), (b"", BenchFault)):
            logger.answer = lambda command, sent=sent: sent if command == "TIME?" else None  # type: ignore[misc]
            with pytest.raises(BenchFault) as caught:
                taken(await answered(host, "ask", ["TIME?"]))
            assert type(caught.value) is kind

    at(logger.port, work)


def test_late_answer_does_not_count_for_the_next_command(logger: Orlop) -> None:
    async def work(host: ConsoleHost) -> None:
        logger.answer = lambda command: b"" if command == "IN? 1" else None
        with pytest.raises(BenchFault, match="did not answer"):
            await host.console.ask("IN? 1")
        async with anyio.create_task_group() as tasks:

            async def late() -> None:
                await anyio.sleep(0.05)
                logger.send(b"19.99\r\n")

            tasks.start_soon(late)
            assert await host.console.ask("IN? 2") == "0.00"

    at(logger.port, work)


def test_one_character_at_a_time_is_a_reply_and_too_slow_is_none(logger: Orlop) -> None:
    async def work(host: ConsoleHost) -> None:
        logger.delay = 0.02
        assert await host.console.ask("IN? 1") == "0.00"
        logger.delay = 0.2
        with pytest.raises(BenchFault, match="broke off after"):
            await host.console.ask("ID?")
        logger.delay = 0.0

    at(logger.port, work, LINE.model_copy(update={"safe": ()}))


def test_line_that_never_falls_silent(logger: Orlop) -> None:
    stop = threading.Event()

    def babble() -> None:
        while not stop.wait(0.001):
            logger.send(b"U" * 20)

    async def work(host: ConsoleHost) -> None:
        thread = threading.Thread(target=babble)
        thread.start()
        await anyio.sleep(0.05)
        try:
            with pytest.raises(BenchFault, match="never falls silent"):
                await host.console.ask("ID?")
        finally:
            stop.set()
            await anyio.to_thread.run_sync(thread.join)

    at(logger.port, work)


@BACKENDS
def test_adapter_pulled_out_in_the_middle_of_a_reading(logger: Orlop, backend: str) -> None:
    async def work(host: ConsoleHost) -> None:
        logger.answer = lambda command: b"12"
        async with anyio.create_task_group() as tasks:

            async def pull() -> None:
                await anyio.sleep(0.05)
                logger.unplug()

            tasks.start_soon(pull)
            with pytest.raises(BenchFault, match=f"the serial line {logger.port} was lost"):
                await host.console.ask("IN? 1")
        with pytest.raises(BenchFault, match="cannot be opened again"):
            await host.console.ask("IN? 1")

    at(logger.port, work, backend=backend)


def test_a_worker_asks_the_stations_one_line(logger: Orlop) -> None:
    """As a run takes it: the probe in a worker process, the port open in this one alone."""
    declaration = load_catalogue().declaration("console.query")
    assert declaration is not None
    settings = {"send": "IN? 5", "reply": "{current}", "units": {"current": "mA"}, "first": ["RLY 1,1"]}

    async def work(host: ConsoleHost) -> None:
        async with WorkerPool(host) as pool:
            taken = pool.take("console.query", settings, host.address, declaration=declaration, deadline=20)
            assert [r.value async for r in taken] == [12.0]
            logger.answer = lambda command: b""
            with pytest.raises(BenchFault, match="did not answer “RLY 1,1”"):
                async for _ in pool.take(
                    "console.query", settings, host.address, declaration=declaration, deadline=20
                ):
                    pass

    at(logger.port, work)


# ---- what cannot be opened ------------------------------------------------------------------------


def test_ports_that_are_none_and_ports_that_are_taken(logger: Orlop, tmp_path: Path) -> None:
    for port in ("ttyUSB0", "/etc/passwd", "/dev/../etc/passwd", "loop://", "socket://host", "/dev/tty S0"):
        with pytest.raises(InputError, match="is no serial port"):
            host_at(port)
    with pytest.raises(InputError, match="the suite describes no serial console"):
        host_at(logger.port, None)
    with pytest.raises(HostError, match="cannot be opened: No such file") as caught:
        at("/dev/ttyUSB99", lambda host: host.console.ask("ID?"))
    assert "Is the adapter plugged in?" in caught.value.to_do

    async def twice(host: ConsoleHost) -> None:
        with pytest.raises(HostError, match="another program is using it"):
            await host_at(logger.port).start()

    at(logger.port, twice)


def test_a_console_has_neither_files_nor_commands(logger: Orlop) -> None:
    host = host_at(logger.port)
    for reach in (lambda: host.files, lambda: host.commands):
        with pytest.raises(NotPossible):
            reach()


# ---- forms of a reply -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ("{a}{b}", "must stand between"),
        ("{a},{a}", "same name"),
        ("{A}", "lower-case"),
        ("{a", "not closed"),
        ("", "one line"),
    ],
)
def test_forms_that_are_none(form: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        ReplyForm.parse(form)


@given(st.lists(st.text("abcxyz0123456789.- ", min_size=1).map(str.strip).filter(bool), min_size=1, max_size=5))
def test_values_come_back_from_a_reply_in_its_form(values: list[str]) -> None:
    names = [f"v{number}" for number in range(len(values))]
    form = ReplyForm.parse("ID=" + ",".join(f"{{{name}}}" for name in names) + ";")
    assert form.read("ID=" + ",".join(values) + ";") == dict(zip(names, values, strict=True))


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=300))
def test_any_reply_fits_or_does_not(reply: str) -> None:
    found = ReplyForm.parse("A{one}, {two}B").read(reply)
    assert found is None or (reply.startswith("A") and reply.endswith("B") and ", " in reply)


@pytest.mark.parametrize(
    ("text", "value", "step"),
    [
        ("12.00", 12.0, 0.01),
        ("-3", -3, 1.0),
        ("+1.5E-3", 0.0015, 0.0001),
        ("2e3", 2000.0, 1000.0),
        ("007", 7, 1.0),
    ],
)
def test_numbers_and_their_last_digit(text: str, value: float, step: float) -> None:
    found = number_in(text)
    assert found is not None and found[0] == value and found[1] == pytest.approx(step)


@pytest.mark.parametrize("text", ["", ".5", "5.", "1,5", "0x10", "1_0", "inf", "nan", "1e9999", "٣", "1 2"])
def test_texts_that_are_no_number(text: str) -> None:
    assert number_in(text) is None
