"""The simulated serial line: time on the wire, answers of the console, and being closed."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TypeVar

import anyio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.simulated.description import Description, Line
from verifier.gather.simulated.host import SimulatedHost
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.services import SerialLine

T = TypeVar("T")
CONSOLE = Line(
    name="ttyS1",
    baud=9600,
    delay=0.05,
    replies={"ID?": "MARROWBY,ORLOP,{serial},2.7", "TIME?": "{time}"},
    unknown="ERR 1 unknown command",
)
UNIT = Description.model_validate(
    {
        "schema": 1,
        "model": "marrowby-orlop",
        "title": "Logger",
        "identity": {"product_serial": "OR-10423"},
        "clock": {"crystal_ppm": 100.0},
        "lines": [CONSOLE.model_dump()],
    }
)
CHARACTER = 10 / 9600
"""8N1: start bit, eight data bits, stop bit."""


def on_line(function: Callable[[SimulatedHost, SerialLine], Awaitable[T]]) -> T:
    clocks = VirtualClocks(seed=1, began=1_764_000_000.0)  # 2025-11-24T16:00:00Z

    async def main() -> T:
        host = SimulatedHost(UNIT, 1, clocks)
        return await function(host, await host.serial.open("simulated://ttyS1"))

    return anyio.run(main, backend_options=backend_options(clocks))


async def line_of(line: SerialLine) -> bytes:
    heard = b""
    while not heard.endswith(b"\r\n"):
        heard += await line.read()
    return heard


async def ask(line: SerialLine, command: bytes) -> str:
    await line.write(command + b"\r\n")
    return (await line_of(line)).decode().removesuffix("\r\n")


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        (b"ID?", "MARROWBY,ORLOP,OR-10423,2.7"),
        (b"  ID?", "MARROWBY,ORLOP,OR-10423,2.7"),
        (b"id?", "ERR 1 unknown command"),
        (b"\xff\x00", "ERR 1 unknown command"),
        (b"A" * 5000, "ERR 1 unknown command"),
    ],
)
def test_the_console_answers_what_is_described(command: bytes, answer: str) -> None:
    async def main(host: SimulatedHost, line: SerialLine) -> str:
        return await ask(line, command)

    assert on_line(main) == answer


def test_the_units_clock_gains_by_its_crystal() -> None:
    async def main(host: SimulatedHost, line: SerialLine) -> str:
        await host.clocks.sleep(86_400.0)
        return await ask(line, b"TIME?")

    # A day, and 8.64 s too fast by 100 ppm.
    assert on_line(main) == "2025-11-25 16:00:08"


def test_characters_take_their_time_on_the_wire() -> None:
    async def main(host: SimulatedHost, line: SerialLine) -> tuple[float, float, float]:
        await line.write(b"ID?\r\n")
        written = host.clocks.loop()
        await line.read(1)
        first = host.clocks.loop()
        await line_of(line)
        return written, first, host.clocks.loop()

    written, first, last = on_line(main)
    # ID? and CR end the command; LF leaves while the console thinks.
    assert written == pytest.approx(5 * CHARACTER)
    assert first == pytest.approx(4 * CHARACTER + 0.05 + CHARACTER)
    assert last == pytest.approx(4 * CHARACTER + 0.05 + len("MARROWBY,ORLOP,OR-10423,2.7\r\n") * CHARACTER)


def test_a_line_that_says_nothing_is_waited_for_only_as_long_as_the_caller_likes() -> None:
    async def main(host: SimulatedHost, line: SerialLine) -> float:
        with anyio.move_on_after(2.0) as scope:
            await line.read()
        assert scope.cancelled_caught
        return host.clocks.loop()

    assert on_line(main) == 2.0


def test_a_reader_that_waits_hears_what_another_task_asked() -> None:
    async def main(host: SimulatedHost, line: SerialLine) -> bytes:
        async with anyio.create_task_group() as group:

            async def later() -> None:
                await host.clocks.sleep(60)
                await line.write(b"ID?\r")

            group.start_soon(later)
            return await line_of(line)

    assert on_line(main).startswith(b"MARROWBY")


def test_a_closed_line_says_so_to_whoever_waits() -> None:
    async def main(host: SimulatedHost, line: SerialLine) -> None:
        async with anyio.create_task_group() as group:

            async def close() -> None:
                await host.clocks.sleep(1)
                await line.aclose()

            group.start_soon(close)
            with pytest.raises(BenchFault, match="closed"):
                await line.read()
        with pytest.raises(BenchFault, match="closed"):
            await line.write(b"ID?")

    on_line(main)


def test_a_line_that_is_not_there_is_absent_and_a_unit_without_any_has_no_such_service() -> None:
    async def main(host: SimulatedHost, line: SerialLine) -> None:
        with pytest.raises(Absent, match="it has ttyS1"):
            await host.serial.open("simulated://ttyS9")
        bare = SimulatedHost(UNIT.model_copy(update={"lines": ()}), 1, host.clocks)
        assert "serial" not in bare.services
        with pytest.raises(NotPossible):
            _ = bare.serial

    on_line(main)


@settings(max_examples=50)
@given(st.lists(st.sampled_from([b"ID?", b"TIME?", b"nonsense"]), min_size=1, max_size=5), st.integers(1, 7))
def test_every_command_has_its_answer_in_order_however_it_is_read(commands: list[bytes], limit: int) -> None:
    async def main(host: SimulatedHost, line: SerialLine) -> list[bytes]:
        await line.write(b"".join(command + b"\r\n" for command in commands))
        heard = b""
        while heard.count(b"\r\n") < len(commands):
            piece = await line.read(limit)
            assert 1 <= len(piece) <= limit
            heard += piece
        return heard.split(b"\r\n")[:-1]

    starts = {b"ID?": b"MARROWBY", b"TIME?": b"2025-11-24 16:00:0", b"nonsense": b"ERR 1"}
    answers = on_line(main)
    assert all(a.startswith(starts[c]) for a, c in zip(answers, commands, strict=True))
