"""A whole run in a child process of this one, from opening it to its report, that can be ended anywhere.

The child is forked from a process that has imported everything, and reads a simulated unit, whose probes run in
the child itself: so a run takes a fraction of a second and there are no workers to wait for. What is ended is
a real process, by SIGKILL, between two real system calls.
"""

from __future__ import annotations

import os
import signal
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "commands"))
from bench import LABEL_ON, LAMP, SCREWS

from verifier import flow
from verifier.commands.progress import Lines
from verifier.declare.answers import load_answers
from verifier.declare.lint import load_suite
from verifier.declare.order import RepairOrder, Replaced
from verifier.declare.plan import make_plan
from verifier.errors import VerifierError
from verifier.gather.catalogue import load_catalogue
from verifier.gather.prompts.prepared import PreparedAsker
from verifier.gather.session import Sitting
from verifier.readings import Person
from verifier.store.station import Station

COOL = """
[[checks]]
id = "cool"
title = "Cool at rest"
probe = "thermal.sensors"
covers = ["heat-sheet"]
repeat = { times = 3 }
limits = [{ reading = "temperature", at_most = 200, unit = "°C", source = "invented" }]
"""

SUITE = (
    """
schema = 1
model = "marrowby-quayside"
title = "Quayside counter terminal, close of repair"
revision = 2
[serial]
label = false
firmware = false
[parts.io-board]
title = "Connector board"
joints = ["io-screws", "heat-sheet"]
[joints.io-screws]
title = "Screws of the connector board"
[joints.heat-sheet]
title = "Heat sheet"
"""
    + SCREWS
    + COOL
    + LAMP.replace("$after", "cool")
    + LABEL_ON
)

ANSWERS = """
[screws]
value = 6
[lamp]
value = "lit"
[label-on]
value = true
"""

CHECKS = {"screws", "cool", "lamp", "label-on"}
T07 = Person(name="T07")
WHOLE, STOPPED = 0, 4
"""Exit codes of a child: sealed and released; stopped in words. Anything else is a fault."""
NOTHING_TO_DO = ("nothing was journalled before", "there is no run to go on with")
"""What `resume` says where a run had not begun, or is sealed."""

Spoil = Callable[[], None]
"""Done in the child before its run begins."""


def _sitting(folder: Path) -> Sitting:
    async def person() -> Person:
        return T07

    suite = load_suite(folder / "suite.toml", load_catalogue()).suite
    prepared = load_answers(folder / "answers.toml", suite)
    return Sitting(
        asker_for=lambda _: PreparedAsker(prepared, T07),
        watcher=Lines(silent=True),
        person=person,
    )


def prepare(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "suite.toml").write_text(SUITE)
    (folder / "answers.toml").write_text(ANSWERS)


def run(folder: Path) -> flow.Ended:
    """Begins a run at the station in `folder` and carries it to its report."""
    loaded = load_suite(folder / "suite.toml", load_catalogue())
    order = RepairOrder(replaced=(Replaced(part="io-board"),))
    plan = make_plan(loaded.suite, loaded.text, loaded.sha256, order)
    running = flow.begin(Station.at(folder / "station"), plan, at="simulated", technician=T07, seed=1)
    try:
        return flow.carry_on(running, _sitting(folder), resumed=False)
    finally:
        running.journal.close()


def resume(folder: Path) -> flow.Ended:
    """Goes on with the newest open run at the station in `folder`."""
    running = flow.reopen(Station.at(folder / "station"), None)
    try:
        return flow.carry_on(running, _sitting(folder), resumed=True)
    finally:
        running.journal.close()


@dataclass(frozen=True, slots=True)
class Child:
    """What became of it: the exit code, less than 0 where a signal ended it, and what it said."""

    code: int
    words: str

    @property
    def killed(self) -> bool:
        return self.code == -signal.SIGKILL

    @property
    def nothing_to_do(self) -> bool:
        return self.code == STOPPED and any(words in self.words for words in NOTHING_TO_DO)


def in_child(work: Callable[[Path], flow.Ended], folder: Path, spoil: Spoil | None = None) -> Child:
    """Does `work` in a child process of its own, spoilt or not."""
    words = folder / "words"
    words.unlink(missing_ok=True)
    child = os.fork()
    if child:
        _, status = os.waitpid(child, 0)
        return Child(os.waitstatus_to_exitcode(status), words.read_text() if words.exists() else "")
    code = 70
    try:
        said = os.open(words, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(said, 1)
        os.dup2(said, 2)
        if spoil is not None:
            spoil()
        ended = work(folder)
        print(ended.outcome, ended.store_problem)
        code = WHOLE if ended.exit_code == 0 else 71
    except VerifierError as error:
        print(error)
        code = STOPPED
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


OPERATIONS = ("write", "fsync", "fdatasync", "replace", "unlink", "ftruncate", "mkdir")


def spoilt_by(at: Callable[[int, str, tuple[Any, ...], Callable[..., Any]], None]) -> Spoil:
    """Calls `at` with number, name, arguments and real function before each operation on files."""

    def spoil() -> None:
        done = 0

        def watched(name: str, real: Callable[..., Any]) -> Callable[..., Any]:
            def call(*args: Any, **kwargs: Any) -> Any:
                nonlocal done
                if name == "write" and args[0] in (1, 2):
                    return real(*args, **kwargs)  # what the child says
                done += 1
                at(done, name, args, real)
                return real(*args, **kwargs)

            return call

        for name in OPERATIONS:
            setattr(os, name, watched(name, getattr(os, name)))

    return spoil


def die_at(number: int) -> Spoil:
    """SIGKILL just before the operation of that number; where it writes, when half is written."""

    def at(done: int, name: str, args: tuple[Any, ...], real: Callable[..., Any]) -> None:
        if done == number:
            if name == "write":
                real(args[0], bytes(args[1])[: len(args[1]) // 2])
            os.kill(os.getpid(), signal.SIGKILL)

    return spoilt_by(at)


def fail_at(number: int, error: int, names: tuple[str, ...]) -> Spoil:
    """The how manieth operation among `names` fails. Whatever is done to that file later is told."""
    left, broken = number, -1

    def at(done: int, name: str, args: tuple[Any, ...], real: Callable[..., Any]) -> None:
        nonlocal left, broken
        if args and args[0] == broken and name != "close":
            print(f"AGAIN {name} after it had failed")
        if name in names:
            left -= 1
            if left == 0:
                broken = args[0]
                if name == "write":
                    real(args[0], bytes(args[1])[: len(args[1]) // 2])
                raise OSError(error, os.strerror(error))

    return spoilt_by(at)


def operations(folder: Path) -> list[str]:
    """The operations on files of a whole run and of nothing else, in their order."""
    prepare(folder)
    log = folder / "operations"

    def at(done: int, name: str, args: tuple[Any, ...], real: Callable[..., Any]) -> None:
        where = Path(f"/proc/self/fd/{args[0]}").readlink().name if isinstance(args[0], int) else ""
        with log.open("a") as file:
            file.write(f"{name} {where}\n")

    whole = in_child(run, folder, spoilt_by(at))
    assert whole.code == WHOLE, whole.words
    return log.read_text().splitlines()
