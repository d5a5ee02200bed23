"""Beeps and squares to be counted: as many as chance drew, told to nobody before the answer."""

from __future__ import annotations

import os
import pty
import random
import re
import subprocess
import termios
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import anyio
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.counted import FEWEST, MOST
from verifier.gather.probes.display_picture import SCRIPT, SIZE, Picture, drawing
from verifier.gather.probes.sound_beeps import Beeps, Settings
from verifier.gather.sound import Recording
from verifier.gather.workers import run_probe
from verifier.readings import Reading
from verifier.services import CommandResult
from verifier.steps import Ask, Cue


class Still:
    async def sleep(self, seconds: float) -> None:
        pass


class Card:
    """Hears what is played."""

    def __init__(self) -> None:
        self.frames: Any = None

    async def play(self, frames: Any, rate: int, output: str) -> str:
        self.frames = frames
        return "the card"

    async def play_and_record(self, *_: Any) -> Recording:
        raise AssertionError("nothing is recorded")

    def beeps(self, side: int) -> int:
        loud = np.abs(self.frames[:, side]).reshape(-1, 480).max(axis=1) > 0.05
        return int(np.sum(np.diff(np.concatenate(([0], loud.astype(int)))) == 1))


class Shell:
    """Runs nothing, and keeps what it was asked for."""

    def __init__(self, exit: int = 0, *, there: bool = True, size: str = "") -> None:  # noqa: A002
        self.exit, self.there, self.size = exit, there, size
        self.ran: list[tuple[str, ...]] = []

    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        if not self.there:
            raise Absent(f"there is no command {argv[0]}")
        if argv[2:3] == (SIZE,):
            return CommandResult(argv=argv, exit=0 if self.size else 1, stdout=self.size)
        self.ran.append(argv)
        return CommandResult(argv=argv, exit=self.exit, stdout="")


class Tree:
    def __init__(self, files: dict[str, str]) -> None:
        self._files = files

    async def read(self, path: str, limit: int = 65_536) -> bytes:
        if path not in self._files:
            raise FileNotFoundError(2, "no such file", path)
        return self._files[path].encode()

    async def names(self, path: str) -> list[str]:
        return sorted(
            {p.removeprefix(path + "/").partition("/")[0] for p in self._files if p.startswith(path + "/")}
        )


CONSOLE = {
    "/sys/class/tty/tty0/active": "tty2\n",
    "/sys/class/vtconsole/vtcon0/name": "(S) dummy device\n",
    "/sys/class/vtconsole/vtcon0/bind": "0\n",
    "/sys/class/vtconsole/vtcon1/name": "(M) frame buffer device\n",
    "/sys/class/vtconsole/vtcon1/bind": "1\n",
}


def take(probe: Any, answer: str, said: list[str] | None = None, **parts: Any) -> dict[str, Reading]:
    """The readings; `said` gathers whatever a terminal or a journal would have had before the answer."""
    settings = parts.pop("settings", {})
    services = frozenset({"files", "commands", "sound"})
    host: Any = SimpleNamespace(**{"address": "local", "services": services, "clocks": Still(), **parts})

    async def collect() -> dict[str, Reading]:
        found: dict[str, Reading] = {}
        async for step in run_probe(probe, host, settings):
            if isinstance(step, Cue):
                assert not found
                (said if said is not None else []).append(step.say)
            elif isinstance(step, Ask):
                assert not found
                (said if said is not None else []).append(step.say)
                assert re.fullmatch(step.pattern, answer)
                step.answer = answer
            else:
                assert isinstance(step, Reading)
                found[step.name] = step
        return found

    return anyio.run(collect)


@given(seed=st.integers(0, 10**6), counted=st.integers(0, 99), side=st.sampled_from(["left", "right", "both"]))
def test_as_many_beeps_are_played_as_were_drawn(seed: int, counted: int, side: str) -> None:
    card = Card()
    found = take(Beeps(random.Random(seed)), str(counted), sound=card, settings={"side": side})
    shown = found["shown"].value
    assert isinstance(shown, int) and FEWEST <= shown <= MOST
    assert [card.beeps(n) for n in (0, 1)] == [shown * (side != "right"), shown * (side != "left")]
    assert found["counted"].value == counted
    assert found["counted_right"].value is (shown == counted)
    assert found["counted_right"].origin.startswith(f"{shown} shown, {counted} counted")


def test_neither_cue_nor_question_tells_the_number() -> None:
    """The same words whatever chance draws."""
    for make, settings in ((Beeps, {}), (Picture, {"console": 9, "label": "6"})):
        texts = set()
        for seed in range(20):
            said: list[str] = []
            parts = {"sound": Card(), "files": Tree(CONSOLE), "commands": Shell()}
            take(make(random.Random(seed)), "4", said, settings=settings, **parts)
            texts.add(tuple(said))
        assert len(texts) == 1


def test_every_number_is_drawn_as_often() -> None:
    drawn = [take(Beeps(random.Random(n)), "1", sound=Card())["shown"].value for n in range(350)]
    assert {drawn.count(n) > 25 for n in range(FEWEST, MOST + 1)} == {True}


def test_behind_a_simulated_unit_the_number_is_the_seeds_own() -> None:
    """The same in each run of that seed, whenever it is asked; another for another seed or another socket."""

    def shown(seed: int, label: str) -> object:
        return take(Beeps(), "5", sound=Card(), seed=seed, settings={"label": label})["shown"].value

    assert len({shown(4, "9") for _ in range(9)}) == 1
    assert len({shown(4, str(n)) for n in range(30)}) > 4 and len({shown(n, "9") for n in range(30)}) > 4


def test_beeps_by_a_command_of_the_unit() -> None:
    shell = Shell()
    found = take(Beeps(random.Random(5)), "5", commands=shell, settings={"command": ["beep", "-f", "997"]})
    assert shell.ran == [("beep", "-f", "997")] * int(found["shown"].value)
    with pytest.raises(NotPossible, match="no command beep"):
        take(Beeps(), "5", commands=Shell(there=False), settings={"command": ["beep"]})
    with pytest.raises(NotPossible, match="exit code 3"):
        take(Beeps(), "5", commands=Shell(3), settings={"command": ["beep"]})
    with pytest.raises(ValueError, match="printable"):
        Settings(command=["be\x1bep"])


def test_a_host_without_sound_and_a_suite_without_a_command() -> None:
    with pytest.raises(NotPossible, match="no sound to play"):
        take(Beeps(), "5")


class Screen:
    """As much of a text console as the drawing needs (console_codes(4))."""

    def __init__(self) -> None:
        self.cells: dict[tuple[int, int], int] = {}

    def show(self, text: str) -> None:
        row = column = 1
        colour = 0
        for code, letter, plain in re.findall(r"\x1b\[(\??[\d;]*)([A-Za-z])|([^\x1b])", text):
            if plain:
                self.cells[row, column] = colour
                column += 1
            elif letter == "H":
                row, column = (int(n) for n in (code or "1;1").split(";"))
            elif letter == "m":
                colour = int(code)
            elif (letter, code) == ("J", "2"):
                self.cells.clear()

    @property
    def squares(self) -> list[int]:
        """The colour of each patch of lit cells that touch."""
        left = {at for at, colour in self.cells.items() if colour}
        found = []
        while left:
            patch = [left.pop()]
            found.append(self.cells[patch[0]])
            while patch:
                row, column = patch.pop()
                near = {(row + 1, column), (row - 1, column), (row, column + 1), (row, column - 1)} & left
                left -= near
                patch += near
        return found


def printed(text: str) -> str:
    return subprocess.run(
        ["sh", "-c", 'printf "$1"', "sh", text], capture_output=True, text=True, check=True
    ).stdout


@pytest.mark.parametrize(
    ("size", "rows", "columns"),
    [
        ("", 24, 80),
        ("0 0\n", 24, 80),
        ("15 40\n", 15, 40),
        ("12 32\n", 12, 32),
        ("50 60\n", 50, 60),
        ("67 240\n", 67, 240),
    ],
)
@pytest.mark.parametrize("seed", range(4))
def test_as_many_squares_are_drawn_as_were_drawn_by_chance(seed: int, size: str, rows: int, columns: int) -> None:
    """Also on a small panel, and on one that stands upright: whole, within it, and apart from each other."""
    shell = Shell(size=size)
    found = take(Picture(random.Random(seed)), "6", files=Tree(CONSOLE), commands=shell)
    ((*_, console, picture, seconds, back),) = shell.ran
    screen = Screen()
    screen.show(printed(picture))
    assert len(screen.squares) == found["shown"].value
    assert {41, 42, 44} <= set(screen.squares) <= {41, 42, 44, 47}
    assert all(1 <= row <= rows and 1 <= column <= columns for row, column in screen.cells)
    assert (console, seconds, back) == ("/dev/tty2", "6", "")


def test_another_console_is_brought_to_the_front_and_left_again() -> None:
    shell = Shell()
    take(Picture(), "6", files=Tree(CONSOLE), commands=shell, settings={"console": 9, "seconds": 4})
    ((*_, console, _, seconds, back),) = shell.ran
    assert (console, seconds, back) == ("/dev/tty9", "4", "2")


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ({}, "no text console"),
        ({**CONSOLE, "/sys/class/tty/tty0/active": "hvc0\n"}, "no text console"),
        ({**CONSOLE, "/sys/class/vtconsole/vtcon1/bind": "0\n"}, "on no display"),
        ({**CONSOLE, "/sys/class/vtconsole/vtcon1/name": "(S) dummy device\n"}, "on no display"),
    ],
)
def test_a_host_that_cannot_show_a_picture(files: dict[str, str], words: str) -> None:
    with pytest.raises(NotPossible, match=words):
        take(Picture(), "6", files=Tree(files), commands=Shell())


def test_a_console_too_small_for_squares() -> None:
    with pytest.raises(NotPossible, match="only 30 columns"):
        take(Picture(), "6", files=Tree(CONSOLE), commands=Shell(size="30 30\n"))


def test_the_size_of_a_terminal_is_asked_as_linux_and_busybox_tell_it() -> None:
    end, terminal = pty.openpty()
    termios.tcsetwinsize(terminal, (17, 60))
    for shell in ("sh", "busybox sh"):
        argv = [*shell.split(), "-c", SIZE, "sh", os.ttyname(terminal)]
        assert subprocess.run(argv, capture_output=True, text=True, timeout=20).stdout == "17 60\n"
    os.close(terminal)
    os.close(end)


@pytest.mark.parametrize(("code", "words"), [(10, "chvt"), (11, "root, or the group tty"), (2, "exit code 2")])
def test_a_console_that_may_not_be_drawn_on(code: int, words: str) -> None:
    with pytest.raises(NotPossible, match=words):
        take(Picture(), "6", files=Tree(CONSOLE), commands=Shell(code))


@pytest.mark.parametrize(("shell", "back"), [("sh", "2"), ("bash", "2"), ("busybox sh", "")])
def test_the_script_draws_on_a_terminal_and_clears_it_again(tmp_path: Path, shell: str, back: str) -> None:
    """On a pseudo-terminal in place of the console, with a chvt that only takes notes; busybox has its own."""
    notes = tmp_path / "notes"
    (tmp_path / "chvt").write_text(f'#!/bin/sh\necho "chvt $1" >>{notes}\n')
    (tmp_path / "chvt").chmod(0o755)
    end, terminal = pty.openpty()
    name = os.ttyname(terminal)
    argv = [*shell.split(), "-c", SCRIPT, "sh", name, drawing(5, random.Random(1)), "0", back]
    seen = bytearray()

    def look() -> None:
        while b"\x1b[?25h" not in seen:
            seen.extend(os.read(end, 4096))

    reader = threading.Thread(target=look, daemon=True)
    reader.start()
    run = subprocess.run(argv, env={**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}"}, timeout=20)
    reader.join(10)
    os.close(terminal)
    os.close(end)
    assert run.returncode == 0
    text = seen.decode()
    screen = Screen()
    screen.show(text[: text.rindex("\x1b[2J")])
    assert len(screen.squares) == 5
    screen.show(text)
    assert screen.squares == []
    switched = notes.read_text().splitlines() if notes.exists() else []
    assert switched == ([f"chvt {name}", "chvt 2"] if back else [])


def test_without_the_right_or_the_tool_the_script_says_which(tmp_path: Path) -> None:
    def run(console: str, back: str) -> int:
        argv = ["/bin/sh", "-c", SCRIPT, "sh", console, "x", "0", back]
        return subprocess.run(argv, env={"PATH": "/nowhere"}, stderr=subprocess.DEVNULL, timeout=20).returncode

    assert run("/dev/tty9", "2") == 10
    assert run(str(tmp_path / "no/such"), "") == 11
