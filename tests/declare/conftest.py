"""A catalogue of two invented probes, a suite with nothing to mend, and ways to lint a text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pytest

from verifier.declare.lint import LoadedSuite, load_suite
from verifier.errors import InputProblems, Problem
from verifier.readings import ProbeDeclaration, ReadingDeclaration

GOOD = """\
schema = 1
model = "marrowby-quayside"
title = "Quayside counter terminal, close of repair"
revision = 4
state = "approved"

[decision]
rule = "guarded"
max_false_accept = 0.025

[serial]
pattern = 'QS-\\d{7}'
firmware = { probe = "bench.meter", reading = "model", settings = { port = "ttyS9" } }

[parts.rear-cover]
title = "Rear cover"
fit = "again-if-undamaged"

[parts.radio-module]
title = "Radio module"
fit = "again"
reached_through = ["rear-cover"]
joints = ["antenna-left", "antenna-right"]

[joints.antenna-left]
title = "Left antenna lead"
faults = ["open-circuit"]

[joints.antenna-right]
title = "Right antenna lead"

[[checks]]
id = "radio-present"
title = "Radio module is seen"
probe = "bench.meter"
settings = { port = "ttyS0" }
limits = [{ reading = "lamp", is = true, source = "port table" }]

[[checks]]
id = "signal"
title = "Signal on each antenna chain"
probe = "bench.meter"
settings = { port = "ttyS1", seconds = 10, mode = "slow" }
covers = ["antenna-left", "antenna-right"]
needs = ["reference-access-point"]
after = ["radio-present"]
timeout = "40 s"
compute = { power = "voltage * current", difference = "abs(chain_0 - chain_1)" }
repeat = { times = 3, pool = "mean" }
limits = [
  { reading = "chain_0", at_least = -62, unit = "dBm", source = "study 2026-08, 30 good units" },
  { reading = "difference", at_most = 8, unit = "dB", source = "judgement, A02" },
  { reading = "power", nominal = 5, tolerance = 1, unit = "W", source = "port table" },
  { reading = "temperature", at_least = 10, at_most = 60, unit = "°C", source = "judgement, A02" },
  { reading = "model", matches = 'MR-\\d+', source = "parts list" },
]
uncertainty = [
  { reading = "temperature", half_width = 1, unit = "K", source = "data sheet" },
  { reading = "chain_0", u = 0.5, unit = "dB", dof = 29, source = "study 2026-08", basis = "study" },
]

[[checks]]
id = "spacers-fitted"
title = "Edge spacers in place"
stage = "open"
prompt = "count"
say = "How many edge spacers can you see?"
range = [0, 10]
limits = [{ reading = "count", equals = 2, source = "service document" }]

[[checks]]
id = "gasket"
title = "Rear gasket"
stage = "open"
prompt = "choice"
say = "How does the gasket look?"
options = ["whole", "nicked", "flattened"]
limits = [{ reading = "choice", equals = "whole", source = "service document" }]

[[checks]]
id = "idle-current"
title = "Idle current"
prompt = "number"
say = "Read the supply's current."
unit = "A"
range = [0, 3]
limits = [{ reading = "number", at_most = 360, unit = "mA", source = "port table" }]

[[checks]]
id = "second-look"
title = "Somebody else saw the seal"
stage = "finished"
prompt = "confirm"
say = "Is the seal whole?"
second_person = true
limits = [{ reading = "confirm", is = true, source = "judgement, Q01" }]
"""


@dataclass(frozen=True, slots=True)
class MeterSettings:
    port: str
    """Where the meter is plugged in."""
    seconds: float = 1.0
    """How long to look."""
    mode: Literal["fast", "slow"] = "fast"

    def __post_init__(self) -> None:
        if self.seconds <= 0:
            raise ValueError("seconds is above 0")
        if not self.port.startswith("tty"):
            raise ValueError(f"{self.port!r} is no serial port, such as ttyS0")


@dataclass(frozen=True, slots=True)
class NoSettings:
    pass


def reading(name: str, kind: Literal["number", "text", "yes-no"], unit: str = "") -> ReadingDeclaration:
    return ReadingDeclaration(name=name, kind=kind, unit=unit, what="What it says.")


METER = ProbeDeclaration(
    name="bench.meter",
    title="Meter",
    what="Reads a meter.",
    settings=MeterSettings,
    readings=(
        reading("voltage", "number", "V"),
        reading("current", "number", "A"),
        reading("temperature", "number", "Cel"),
        reading("chain_*", "number", "dBm"),
        reading("model", "text"),
        reading("lamp", "yes-no"),
    ),
)
PLAIN = ProbeDeclaration(
    name="bench.plain",
    title="Plain",
    what="Counts.",
    settings=NoSettings,
    readings=(reading("total", "number", "1"),),
)


class TwoProbes:
    def names(self) -> Sequence[str]:
        return ["bench.meter", "bench.plain"]

    def declaration(self, name: str) -> ProbeDeclaration | None:
        return {"bench.meter": METER, "bench.plain": PLAIN}.get(name)


@pytest.fixture(scope="session")
def good() -> str:
    return GOOD


@pytest.fixture(scope="session")
def catalogue() -> TwoProbes:
    return TwoProbes()


@pytest.fixture(scope="session")
def suite_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("suite")


Load = Callable[[str | bytes], LoadedSuite]
Lint = Callable[[str | bytes], list[Problem]]


@pytest.fixture(scope="session")
def load(catalogue: TwoProbes, suite_folder: Path) -> Load:
    """Loads a text as a suite."""

    def load(text: str | bytes) -> LoadedSuite:
        path = suite_folder / "suite.toml"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return load_suite(path, catalogue)

    return load


@pytest.fixture(scope="session")
def lint(load: Load) -> Lint:
    """Everything lint says about a text: errors and warnings."""

    def lint(text: str | bytes) -> list[Problem]:
        try:
            return list(load(text).warnings)
        except InputProblems as error:
            return error.problems

    return lint
