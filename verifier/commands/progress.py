"""What a person sees while a run goes on: live in a terminal, plain lines otherwise."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verifier.commands.mending import look_at
from verifier.declare.durations import duration_text
from verifier.declare.suite import Check
from verifier.readings import Attempt, Finding, Held, Stage, Verdict

if TYPE_CHECKING:
    from rich.console import Group
    from rich.live import Live

    from verifier.gather.state import RunState

_COLOURS = {
    Verdict.PASS: "green",
    Verdict.FAIL: "bold red",
    Verdict.INCONCLUSIVE: "yellow",
    Verdict.NOT_RUN: "bright_black",
    Verdict.BENCH_ERROR: "magenta",
}


_BLANKS = "\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}"
"""Stand between number and unit; Python does not count them as printable."""


def printable(text: str) -> str:
    """Text from outside without control characters: a terminal must not obey a device's name."""
    return "".join(c if c.isprintable() or c in _BLANKS else "\N{REPLACEMENT CHARACTER}" for c in text)


def verdict_word(finding: Finding) -> str:
    return finding.verdict.value if finding.verdict else "noted"


def summary(finding: Finding) -> str:
    """What was read and the limit, or the reason, and what the probe says beside it, in one line."""
    beside = dict.fromkeys(h.remark for h in finding.held if h.remark and h.remark not in finding.reason)
    if finding.verdict in (Verdict.PASS, None) and finding.held and finding.rate is None:
        several = len(finding.held) > 1
        return "; ".join([*(_held(h, named=several) for h in finding.held[:3]), *beside])
    reason = "; ".join([finding.reason, *beside])
    if finding.to_do:
        from verifier.show.words import sentence

        return f"{sentence(reason)} {finding.to_do}"
    return reason


def noted(attempt: Attempt | None) -> str:
    """The readings of a check that is not judged, in one line."""
    from verifier.show.numbers import value_text

    readings = [reading for take in attempt.takes for reading in take] if attempt else []
    several = len(readings) > 1
    return "; ".join(_named(value_text(r.value, r.unit), r.name if several else "") for r in readings[:3])


def _named(text: str, reading: str) -> str:
    return f"{reading.replace('_', ' ')} {text}" if reading else text


def _held(held: Held, *, named: bool) -> str:
    from verifier.show.numbers import measured, unit_text, value_text

    half = (held.interval[1] - held.interval[0]) / 2 if held.interval else 0.0
    if isinstance(held.value, float) and half > 0:
        # Expanded, as in the report: the same ± must mean the same on screen and on paper.
        text = f"{measured(held.value, half)} {unit_text(held.unit)}".rstrip()
    else:
        text = value_text(held.value, held.unit) if held.value is not None else "nothing"
    bounded = held.lower is not None or held.upper is not None
    # What passed a limit without bounds is what the limit says.
    return _named(f"{text} ({held.limit})" if bounded else text, held.reading if named else "")


def at_the_end(check: Check, finding: Finding, state: RunState | None) -> tuple[str, str]:
    """What to say when a check has ended: what was seen, and for a fail of a joint where to look."""
    if state is None:
        return summary(finding), ""
    if finding.verdict is None:
        return noted(state.counting(check.id)), ""
    return summary(finding), look_at(state.plan, check) if finding.verdict is Verdict.FAIL else ""


def worth_a_line(check: Check, finding: Finding) -> bool:
    """Whether a cycle is told by itself: where somebody does something for each, and where it did not pass."""
    return finding.verdict is not Verdict.PASS or (check.cycles is not None and check.cycles.by_hand)


def cycle_line(check: Check, number: int, finding: Finding) -> str:
    """One cycle: "cycle 7 of 20 (upright): fail, 4.2 V, at least 4.75 V"."""
    cycles = check.cycles
    of = f" of {cycles.number}" if cycles else ""
    position = f" ({cycles.position(number)})" if cycles and cycles.positions else ""
    reason = f", {finding.reason}" if finding.reason and finding.verdict is not Verdict.PASS else ""
    return f"cycle {number}{of}{position}: {verdict_word(finding)}{reason}"


def quarantine_lines(check: Check, finding: Finding, unsafe: Mapping[str, str]) -> list[str]:
    """What to know and do at once when a unit is quarantined."""
    from verifier.judge.disposition import QUARANTINE

    reason = f": {finding.reason}" if finding.reason else ""
    return [
        "",
        "QUARANTINED. Everything else is stopped.",
        f"{QUARANTINE[:1].upper()}{QUARANTINE[1:]}.",
        f"Why: {check.title} failed{reason}.",
        *(f"NOT SAFE: {name}: {why} Switch it off at its own switch now." for name, why in unsafe.items()),
        "",
    ]


@dataclass(slots=True)
class Lines:
    """Plain lines, for logs and programs that watch; nothing at all when `silent`."""

    silent: bool = False
    state: RunState | None = None
    """Of the run, which knows what was noted and which joints were disturbed."""

    def start(self) -> None:
        pass

    def say(self, text: str) -> None:
        if not self.silent:
            print(printable(text), file=sys.stderr, flush=True)

    def stage(self, stage: Stage, checks: int) -> None:
        self.say(f"{stage.words} ({checks} {'check' if checks == 1 else 'checks'})")

    def began(self, check: Check) -> None:
        pass

    def ended(self, check: Check, finding: Finding) -> None:
        if self.silent or finding.not_needed:
            return  # silent: the words need what is only imported to show something
        saw, look = at_the_end(check, finding, self.state)
        said = "; ".join(text for text in (saw, look) if text)
        self.say(f"  {verdict_word(finding):<12} {check.title}: {said}".rstrip(": "))

    def cycle(self, check: Check, number: int, finding: Finding) -> None:
        if not self.silent and worth_a_line(check, finding):
            self.say(f"    {cycle_line(check, number, finding)}")

    def looked(self, check: Check, words: str) -> None:
        self.say(f"    {check.title}: not decided yet: {words}")

    def quarantined(self, check: Check, finding: Finding, unsafe: Mapping[str, str]) -> None:
        for line in quarantine_lines(check, finding, unsafe):
            self.say(line)

    def close(self) -> None:
        pass


@dataclass(slots=True)
class LiveView:
    """A terminal: findings scroll by, what is running stands below with elapsed and expected time.

    While a question is open nothing else is written; findings that come meanwhile follow the answer.
    """

    expected: Mapping[str, float]
    """Seconds that each check took at the median of earlier runs, where there are any."""
    total: int = 0
    state: RunState | None = None
    """Of the run, which knows what was noted and which joints were disturbed."""
    done: int = 0
    _running: dict[str, tuple[Check, float]] = field(default_factory=dict)
    _looks: dict[str, str] = field(default_factory=dict)
    """What a probe that may end early knows so far."""
    _held_back: list[tuple[Check, Finding]] = field(default_factory=list)
    _questions: int = 0
    _live: Live | None = None

    def start(self) -> None:
        from rich.console import Console
        from rich.live import Live

        self._live = Live(
            console=Console(highlight=False), get_renderable=self._below, refresh_per_second=4, transient=True
        )
        self._live.start()

    def close(self) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def write(self, text: str, *, end: str = "\n") -> None:
        sys.stdout.write(text + end)
        sys.stdout.flush()

    @contextmanager
    def quiet(self) -> Iterator[None]:
        self._questions += 1
        self.close()
        try:
            yield
        finally:
            self._questions -= 1
            self.start()
            for check, finding in self._held_back:
                self._print(check, finding)
            self._held_back.clear()

    def stage(self, stage: Stage, checks: int) -> None:
        self._out(f"[bold]{stage.words}[/bold]")

    def began(self, check: Check) -> None:
        self._running[check.id] = (check, time.monotonic())

    def ended(self, check: Check, finding: Finding) -> None:
        self._running.pop(check.id, None)
        self._looks.pop(check.id, None)
        self.done += 1
        if finding.not_needed:
            return  # nobody waits for it; the report names it
        if self._questions:
            self._held_back.append((check, finding))
        else:
            self._print(check, finding)

    def cycle(self, check: Check, number: int, finding: Finding) -> None:
        from rich.markup import escape

        if worth_a_line(check, finding):
            self._out(f"    [dim]{escape(printable(cycle_line(check, number, finding)))}[/dim]")

    def looked(self, check: Check, words: str) -> None:
        self._looks[check.id] = words

    def quarantined(self, check: Check, finding: Finding, unsafe: Mapping[str, str]) -> None:
        from rich.markup import escape

        self.total = 0  # nothing more is to come
        for line in quarantine_lines(check, finding, unsafe):
            if self._live is not None:
                self._out(f"[bold red]{escape(printable(line))}[/]")
            else:
                self.write(printable(line))  # a question is open; this does not wait for it

    def _print(self, check: Check, finding: Finding) -> None:
        from rich.padding import Padding
        from rich.table import Table
        from rich.text import Text

        if self._live is None:
            return
        saw, look = at_the_end(check, finding, self.state)
        text = Text.assemble(printable(check.title), "  ", (printable(saw), "dim"))
        if look:
            text.append(f"\n{look[:1].upper()}{printable(look[1:])}.")
        line = Table.grid(padding=(0, 1))
        line.add_column(width=12)
        line.add_column()
        line.add_row(Text(verdict_word(finding), _COLOURS[finding.verdict] if finding.verdict else ""), text)
        self._live.console.print(Padding(line, (0, 0, 0, 2), expand=False))

    def _out(self, markup: str) -> None:
        if self._live is not None:
            self._live.console.print(markup)

    def _below(self) -> Group:
        from rich.console import Group
        from rich.padding import Padding
        from rich.table import Table
        from rich.text import Text

        grid = Table.grid(padding=(0, 2))
        now = time.monotonic()
        for check, started in list(self._running.values()):
            expected = self.expected.get(check.id)
            usual = f"usually {duration_text(max(1.0, round(expected)))}" if expected else ""
            grid.add_row(
                Text("  running", style="cyan"),
                Text(check.title),
                Text(f"{now - started:.0f} s"),
                Text(usual, style="dim"),
            )
        notes = [
            Padding(Text(f"not decided yet: {printable(words)}", style="dim"), (0, 0, 0, 11))
            for words in self._looks.values()
        ]
        done, total = self.done, self.total
        if self.state is not None and total:  # what was set aside is not done any more
            total = len(self.state.plan.suite.checks)
            done = total - len(self.state.pending())
        count = [Text(f"  {done} of {total}", style="dim")] if total else []
        return Group(grid, *notes, *count)
