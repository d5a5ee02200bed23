"""Asking at a terminal.

Input is read from the event loop when the terminal has a line ready, so probes go on beside an open
question and Ctrl-C works at any moment. Whatever was typed before a question was shown is dropped:
a stray Enter, a scan too many or the rest of a paste must not answer it.
"""

from __future__ import annotations

import os
import select
import shutil
import termios
import textwrap
from contextlib import AbstractContextManager, nullcontext
from typing import Protocol

import anyio
import anyio.to_thread

from verifier.declare.suite import PromptKind
from verifier.declare.units import shown
from verifier.errors import NotPossible
from verifier.gather.prompts.code import drawn
from verifier.gather.prompts.question import MAX_ANSWER, Given, Question, read_answer
from verifier.gather.virtual_time import hold
from verifier.readings import Person
from verifier.steps import Cue

HELP = """\
:cannot REASON   when you cannot answer; the check is then not run
:pause           to stop here; `verifier resume` goes on with this question
A wrong answer   can be corrected after the stage and before sealing: correct CHECK VALUE"""

SETTLED = 0.1
"""Seconds without a key after which nothing more is on its way."""
PIECES = 10_000
"""Pieces of 4 kB at the most that are forgotten before a question; a terminal that never rests is asked anyway."""

_HINTS = {
    PromptKind.CONFIRM: "yes or no",
    PromptKind.CHOICE: "number of your choice",
    PromptKind.NUMBER: "number",
    PromptKind.COUNT: "how many",
    PromptKind.TEXT: "text",
    PromptKind.SCAN: "scan or type",
    PromptKind.NOTE: "text, or just Enter",
}


class PauseWanted(Exception):
    """The technician wants to stop here and go on later."""


def folded(text: str, indent: str = "  ", hanging: str | None = None) -> str:
    """Each line of a text indented and broken between words, as wide as the terminal is."""
    columns = max(shutil.get_terminal_size().columns, 20)
    after = indent if hanging is None else hanging
    fill = textwrap.TextWrapper(columns, indent, after, break_long_words=False, break_on_hyphens=False).fill
    return "\n".join(fill(line) for line in text.splitlines())


class Screen(Protocol):
    """Where questions are written. `quiet` keeps progress off the screen while one is open."""

    def write(self, text: str, *, end: str = "\n") -> None: ...

    def quiet(self) -> AbstractContextManager[None]: ...


class PlainScreen:
    """A terminal without live progress."""

    def write(self, text: str, *, end: str = "\n") -> None:
        print(text, end=end, flush=True)

    def quiet(self) -> AbstractContextManager[None]:
        return nullcontext()


class Terminal:
    """Reads lines from a terminal without blocking anything else."""

    def __init__(self, fd: int, screen: Screen) -> None:
        self.fd, self.screen = fd, screen
        self._rest = b""

    async def drop_typed(self) -> None:
        """Forget what was typed so far and what is still coming in: a paste answers no question but its own."""
        for _ in range(PIECES):
            self._rest = b""
            try:
                termios.tcflush(self.fd, termios.TCIFLUSH)
            except termios.error:
                return  # the terminal is gone, as reading will tell
            # In a thread, so that it is real time in simulated runs as well, and no part of theirs.
            with hold():
                coming, _, _ = await anyio.to_thread.run_sync(select.select, [self.fd], [], [], SETTLED)
            if not coming:
                return

    async def line(self, rate: float = 0.0) -> str:
        """One line, without its end. Raises PauseWanted at the end of input (Ctrl-D, a closed terminal).

        In simulated time a person holds the clock, which meanwhile runs at `rate`.
        """
        while b"\n" not in self._rest:
            with hold(rate):
                await anyio.wait_readable(self.fd)
            try:
                chunk = os.read(self.fd, 4096)
            except OSError:  # the terminal was closed
                chunk = b""
            if not chunk:
                raise PauseWanted
            # Bounded: a scanner gone wild must not fill memory.
            self._rest = (self._rest + chunk)[-4 * MAX_ANSWER :]
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode("utf-8", "replace").strip()


class TerminalAsker:
    """Asks the technician of the run, or a second person, at a terminal."""

    def __init__(self, terminal: Terminal, technician: Person | None, folder: str = "") -> None:
        self._terminal, self.technician, self._folder = terminal, technician, folder
        self._cued = ""

    async def ask(self, question: Question) -> Given:
        """Raises NotPossible where the technician says so, PauseWanted at Ctrl-D or :pause."""
        terminal, write = self._terminal, self._terminal.screen.write
        with terminal.screen.quiet():
            write("")
            count = f" ({question.take + 1} of {question.takes})" if question.takes > 1 else ""
            write(folded(f"{question.title}{count}", "? ", "  "))
            write(folded(question.say))
            for number, option in enumerate(question.options, 1):
                write(folded(option, f"  {number}. ", "     "))
            if question.picture:
                write(f"  Picture: {self._folder}/{question.picture}")
            if question.from_memory:
                write(folded("What this asks about is covered by now. Your answer is marked “from memory”."))
            by = await (self._second_person() if question.second_person else self.person())
            if question.kind is PromptKind.TIMED:
                value: float = await self._timed(question.duration or 0.0)
                return Given(value=value, by=by, unit=question.unit, step=0.1)
            before: Given | None = None
            while True:
                text = await self._typed(_hint(question))
                try:
                    answer, step = read_answer(question, text)
                except ValueError as error:
                    write(folded(f"{error}"))
                    continue
                given = Given(value=answer, by=by, unit=question.unit, step=step)
                grave = question.grave(given) if question.grave is not None else ""
                if not grave or given == before:
                    return given
                write(folded(f"{grave} If it is so, answer the same once more; else answer anew."))
                before = given

    async def cue(self, title: str, cue: Cue) -> Person:
        """Show an action; with `wait`, until Enter says that it is done. Raises as `ask` does."""
        terminal, write = self._terminal, self._terminal.screen.write
        with terminal.screen.quiet():
            if self._cued != title:
                write(f"\n> {title}")
                self._cued = title
            by = await self.person()
            write(folded(cue.say))
            if cue.code:
                write(drawn(cue.code))
            while cue.wait and await self._typed("Enter to go on"):
                pass
        return by

    async def person(self) -> Person:
        """Who is at the bench; asked once a run."""
        if self.technician is None:
            self.technician = Person(name=await self._name("Who is at the bench (badge or name)"))
        return self.technician

    async def _second_person(self) -> Person:
        first = await self.person()
        while True:
            name = await self._name(f"This needs another person than {first.name}. Who answers")
            if name.casefold() != first.name.casefold():
                return Person(name=name)
            self._terminal.screen.write("  That is the same person. Ask a colleague.")

    async def _name(self, words: str) -> str:
        while True:
            name = await self._typed(words)
            if 0 < len(name) <= 100 and name.isprintable():
                return name
            self._terminal.screen.write("  Type a badge or a name of up to 100 characters.")

    async def _timed(self, duration: float) -> float:
        """Seconds that the action really took: Enter starts it, and ends it early."""
        terminal, write = self._terminal, self._terminal.screen.write
        while await self._typed(f"Press Enter to start {duration:g} s; Enter again only if it ends early"):
            pass
        await terminal.drop_typed()  # an Enter that bounced does not end it
        started = anyio.current_time()
        # People act in real time, whatever the unit lives in.
        with hold(rate=1.0), anyio.move_on_after(duration):
            async with anyio.create_task_group() as group:
                group.start_soon(self._countdown, started + duration)
                while self._asks_help(await terminal.line(rate=1.0)):
                    pass
                group.cancel_scope.cancel()
        took = min(anyio.current_time() - started, duration)
        write(f"\r  {took:.1f} s done.{' ' * 20}")
        return round(took, 1)

    async def _countdown(self, until: float) -> None:
        while (left := until - anyio.current_time()) > 0:
            self._terminal.screen.write(f"\r  {left:4.0f} s left ", end="")
            await anyio.sleep(min(1.0, left))

    async def _typed(self, words: str) -> str:
        """What is typed after these words. A call for help is no answer, and neither is a command."""
        while True:
            await self._terminal.drop_typed()
            self._terminal.screen.write(f"  {words}: ", end="")
            try:
                line = await self._terminal.line()
            except BaseException:  # paused: what is said next gets a line of its own
                self._terminal.screen.write("")
                raise
            if not self._asks_help(line):
                return line

    def _asks_help(self, line: str) -> bool:
        """Gives help where it was asked for. Raises what a command says."""
        if line == ":pause":
            raise PauseWanted
        if line.startswith(":cannot"):
            reason = line.removeprefix(":cannot").strip()
            raise NotPossible(f"the technician could not answer: {reason or 'no reason given'}")
        # An unknown command is no answer either: it must not become a remark or a name.
        if line == "?" or line.startswith(":"):
            self._terminal.screen.write(folded(HELP, hanging=" " * 19))
            return True
        return False


def _hint(question: Question) -> str:
    hint = question.hint or _HINTS[question.kind]
    if question.kind is PromptKind.NUMBER and question.unit != "1":
        hint = f"number in {shown(question.unit)}"
    if question.range is not None:
        low, high = question.range
        hint += f", {low:g} to {high:g}"
    return hint
