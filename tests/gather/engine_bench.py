"""A fake bench for the engine, and one run on it that can be ended anywhere and taken up again."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import AsyncGenerator, Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import anyio

from verifier.declare.order import RepairOrder
from verifier.declare.plan import make_plan
from verifier.declare.suite import Check, Suite
from verifier.errors import BenchFault, NotPossible
from verifier.gather.clocks import RealClocks
from verifier.gather.engine import Engine
from verifier.gather.journal import Journal, read
from verifier.gather.prompts.question import Given, Question, check_value
from verifier.gather.state import RunState, begin, replay, to_json
from verifier.gather.virtual_time import VirtualClocks, backend_options
from verifier.judge import SuiteJudge
from verifier.readings import Finding, Person, ProbeDeclaration, Reading, ReadingDeclaration, Stage, Verdict
from verifier.steps import Cue

T = TypeVar("T")
T07 = Person(name="T07")
HEAD = """schema = 1
model = "marrowby-quayside"
title = "Quayside"
revision = 1
[serial]
label = false
firmware = false
"""


@dataclass
class NoSettings:
    pass


class Catalogue:
    def names(self) -> Sequence[str]:
        return ["port"]

    def declaration(self, name: str) -> ProbeDeclaration | None:
        if name == "identity":
            return ProbeDeclaration(
                name=name, title="", what="", settings=NoSettings,
                readings=(ReadingDeclaration(name="serial", kind="text", what=""),),
            )  # fmt: skip
        if name == "button":
            return ProbeDeclaration(
                name=name, title="", what="", settings=NoSettings, cues=True,
                readings=(ReadingDeclaration(name="value", kind="number", unit="1", what=""),),
            )  # fmt: skip
        return ProbeDeclaration(
            name=name, title="", what="", settings=NoSettings,
            readings=(ReadingDeclaration(name="value", kind="number", unit="1", what=""),),
        )  # fmt: skip


@dataclass
class Bench:
    """A fake bench that writes down what happens when."""

    log: list[str] = field(default_factory=list)
    values: dict[str, Any] = field(default_factory=dict)
    answers: dict[str, Any] = field(default_factory=dict)
    seconds: float = 0.02
    waits: dict[str, float] = field(default_factory=dict)
    """Seconds of single probes, where they differ."""
    running: int = 0
    most_running: int = 0
    asking: int = 0
    most_asking: int = 0
    there: bool = True
    """Whether anybody acts on cues."""
    unreachable: int = 0
    """How many times the unit does not come back."""
    questions: dict[str, Question] = field(default_factory=dict)
    """Each as it was asked last."""

    async def take(
        self, probe: str, settings: Mapping[str, Any], host_address: str, *, declaration: object, deadline: float
    ) -> AsyncGenerator[Reading]:
        name = settings.get("name", probe)
        self.log.append(f"start {name}")
        self.running += 1
        self.most_running = max(self.most_running, self.running)
        try:
            await anyio.sleep(self.waits.get(name, self.seconds))
        finally:
            self.running -= 1
        value = self.values.get(name, 1.0)
        if isinstance(value, list):
            value = value.pop(0)
        if isinstance(value, Exception):
            raise value
        yield Reading(name="serial" if probe == "identity" else "value", value=value, unit="1")
        self.log.append(f"end {name}")

    async def ask(self, question: Question) -> Given:
        self.log.append(f"ask {question.check}{' from memory' if question.from_memory else ''}")
        self.questions[question.check] = question
        self.asking += 1
        self.most_asking = max(self.most_asking, self.asking)
        try:
            await anyio.sleep(self.seconds)
        finally:
            self.asking -= 1
        answer = self.answers.get(question.check)
        if answer is None:
            raise NotPossible("nobody was asked")
        value, step = check_value(question, answer)
        return Given(value=value, by=T07, unit=question.unit, step=step)

    def stage(self, stage: Stage, checks: int) -> None:
        self.log.append(f"stage {stage}")

    def began(self, check: Check) -> None:
        pass

    def ended(self, check: Check, finding: Finding) -> None:
        self.log.append(f"{finding.verdict} {check.id}")

    async def cue(self, title: str, cue: Cue) -> Person:
        self.log.append(f"cue {title}: {cue.say}")
        await anyio.sleep(self.seconds)
        if not self.there:
            raise NotPossible("nobody is there")
        return T07

    def looked(self, check: Check, words: str) -> None:
        self.log.append(f"looked {check.id}: {words}")

    def cycle(self, check: Check, number: int, finding: Finding) -> None:
        self.log.append(f"cycle {number} {finding.verdict}")

    def quarantined(self, check: Check, finding: Finding, unsafe: Mapping[str, str]) -> None:
        self.log.append(f"quarantined by {check.id}")

    async def make_safe(self, why: str) -> Mapping[str, str]:
        self.log.append(f"safe: {why}")
        await anyio.sleep(self.seconds)
        return {}

    async def leave(self) -> None:
        self.log.append("leave")

    async def reach_again(self, seconds: float) -> None:
        self.log.append("reach")
        if self.unreachable:
            self.unreachable -= 1
            raise BenchFault("the unit was not there again", to_do="Look at the lamp.")


def probe(name: str, *more: str) -> str:
    limit = '{ reading = "value", at_least = 0.5, unit = "1", source = "invented" }'
    return "\n".join(
        ["[[checks]]", f'id = "{name}"', f'title = "{name}"', 'probe = "port"',
         f'settings = {{ name = "{name}" }}',
         f"limits = [{limit}]", *more, ""]
    )  # fmt: skip


def prompt(name: str, *more: str) -> str:
    return "\n".join(
        ["[[checks]]", f'id = "{name}"', f'title = "{name}"', 'prompt = "confirm"', 'say = "Is it so?"',
         'limits = [{ reading = "confirm", is = true, source = "invented" }]', *more, ""]
    )  # fmt: skip


class Run:
    """One run on a fake bench, that can be ended anywhere and taken up again."""

    def __init__(
        self, folder: Path, text: str, bench: Bench, order: RepairOrder | None = None, typed: str | None = None
    ) -> None:
        self.path, self.bench = folder / "run" / "journal", bench
        suite = Suite.model_validate(tomllib.loads(text))
        plan = make_plan(suite, text, hashlib.sha256(text.encode()).hexdigest(), order or RepairOrder())
        self.journal = Journal.create(self.path, RealClocks())
        event = self.journal.append(
            "begin",
            {
                "run": "r1",
                "suite_text": text,
                "suite_sha256": plan.suite_sha256,
                "order": plan.order.model_dump(mode="json", exclude_defaults=True),
                "at": "local",
                "role": "self",
                "station": "bench-1",
                "technician": to_json(T07),
                "typed_serial": typed,
                "software": {},
            },
        )
        self.state: RunState = begin(event)

    def reopen(self) -> None:
        self.journal.close()
        self.journal, _ = Journal.reopen(self.path, RealClocks())
        self.state = replay(read(self.path).events)

    @property
    def engine(self) -> Engine:
        return Engine(
            state=self.state, journal=self.journal, judge=SuiteJudge(self.state.plan.suite.decision),
            catalogue=Catalogue(), taker=self.bench, asker=self.bench, watcher=self.bench,
            make_safe=self.bench.make_safe, away=self.bench,
        )  # fmt: skip

    def verdict(self, check: str) -> Verdict | None:
        attempt = self.state.counting(check)
        assert attempt is not None and attempt.finding is not None
        return attempt.finding.verdict

    def reason(self, check: str) -> str:
        attempt = self.state.counting(check)
        assert attempt is not None and attempt.finding is not None
        return attempt.finding.reason

    def go(self, backend: str = "asyncio", *stages: Stage) -> None:
        run_on(backend, lambda: self.engine.run(stages or list(Stage)))


BACKENDS = ["asyncio", "trio", "virtual"]


def run_on(backend: str, function: Callable[[], Awaitable[T]]) -> T:
    if backend == "virtual":
        return anyio.run(function, backend_options=backend_options(VirtualClocks(seed=1)))
    return anyio.run(function, backend=backend)
