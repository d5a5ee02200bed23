"""From a suite file to a suite, or to everything that is wrong with it at once.

1. `toml_file` reads the bytes, bounded; what is no TOML is told alone.
2. `shape` fits the data into the model, tells what does not fit, and mends it as a reader would guess.
3. The rules that need the whole suite or the catalogue of probes are held against the mended suite.
4. `flaws` looks up line and column; warnings alone do not refuse a suite.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from verifier.declare.flaws import MOST_SHOWN, TOO_MUCH, to_problems
from verifier.declare.lint_checks import lint_check, lint_probe
from verifier.declare.lint_console import lint_console
from verifier.declare.lint_forecast import lint_forecast
from verifier.declare.lint_instruments import lint_instruments
from verifier.declare.lint_joints import lint_joints, lint_order_of_checks
from verifier.declare.lint_ladder import lint_ladder
from verifier.declare.lint_limits import lint_limits, lint_pattern
from verifier.declare.lint_quarantine import lint_quarantine
from verifier.declare.lint_stand_ins import lint_stand_ins
from verifier.declare.lint_usb_ports import lint_usb_ports
from verifier.declare.notes import Enough, Notes
from verifier.declare.shape import adapter_of, salvage
from verifier.declare.spelling import shown
from verifier.declare.suite import Suite
from verifier.declare.toml_file import read_toml, shown_path
from verifier.errors import InputProblems, Problem
from verifier.readings import Catalogue


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSuite:
    """A suite that may be run, with the text it was read from."""

    suite: Suite
    text: str
    sha256: str
    path: Path
    warnings: tuple[Problem, ...] = ()


def load_suite(path: Path, catalogue: Catalogue) -> LoadedSuite:
    """Read and check a suite.

    Raises InputError where the file cannot be read, InputProblems with everything that is wrong in it.
    """
    data, text, sha256 = read_toml(path)
    found = salvage(adapter_of(Suite), data)
    notes = Notes(found, list(found.flaws))
    if found.model is not None and len(notes.flaws) < MOST_SHOWN:
        try:
            _rules(notes, found.model, catalogue, path.parent)
        except Enough:
            notes.flaws.append(TOO_MUCH)
    problems = to_problems(notes.flaws, text)
    if found.model is None or any(problem.severity == "error" for problem in problems):
        raise InputProblems(shown_path(path), problems)
    return LoadedSuite(suite=found.model, text=text, sha256=sha256, path=path, warnings=tuple(problems))


def _rules(notes: Notes, suite: Suite, catalogue: Catalogue, folder: Path) -> None:
    _serial(notes, suite, catalogue)
    lint_console(notes, suite, catalogue)
    lint_instruments(notes, suite, catalogue)
    lint_forecast(notes, suite, catalogue)
    lint_usb_ports(notes, suite)
    for number, check in enumerate(suite.checks):
        readings = lint_check(notes, check, ("checks", number), catalogue, folder)
        lint_limits(notes, suite, check, ("checks", number), readings)
    lint_order_of_checks(notes, suite)
    lint_ladder(notes, suite)
    lint_stand_ins(notes, suite)
    lint_quarantine(notes, suite, catalogue)
    lint_joints(notes, suite)
    if not suite.checks:
        notes.error(("checks",), "the suite has no checks", "Add at least one [[checks]].", concerns=[("checks",)])
    elif not any(check.judged for check in suite.checks):
        what = "no check has limits, so that no unit can ever be released"
        tell = notes.error if suite.state == "approved" else notes.warning
        tell(("checks",), what, "Give at least one check limits.", at_key=True, concerns=[("checks",), ("state",)])


def _serial(notes: Notes, suite: Suite, catalogue: Catalogue) -> None:
    serial = suite.serial
    if serial.pattern is not None:
        lint_pattern(notes, serial.pattern, ("serial", "pattern"))
    # Where the suite says nothing, the usual place is looked at if this installation has that probe.
    if serial.firmware is None or "firmware" not in serial.model_fields_set:
        return
    at = ("serial", "firmware")
    readings = lint_probe(notes, serial.firmware.probe, serial.firmware.settings, at, catalogue)
    if readings is None:
        return
    named = [r for r in readings if r.matches(serial.firmware.reading)]
    if not named:
        what = f"{serial.firmware.probe} gives no reading {shown(serial.firmware.reading)}"
        to_do = notes.hint(serial.firmware.reading, [r.name for r in readings], "it gives")
        notes.error((*at, "reading"), what, to_do)
    elif named[0].kind != "text":
        notes.error((*at, "reading"), "a serial number is a text, and this reading is none")
