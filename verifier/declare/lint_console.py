"""What is wrong with a suite's serial console, and with checks that cannot be seen from where they are to be."""

from __future__ import annotations

from verifier.declare.check_readings import declaration_of
from verifier.declare.flaws import KeyPath
from verifier.declare.lint_limits import lint_pattern
from verifier.declare.notes import Notes
from verifier.declare.suite import Suite
from verifier.readings import Catalogue

CONSOLE = "console"
"""The service of a host that probes need which ask over a console."""
BENCH_HAS = frozenset({"files", "commands", "net", "clock", "radio"})
"""What the bench computer offers to a check that is seen from there."""


def lint_console(notes: Notes, suite: Suite, catalogue: Catalogue) -> None:
    """A console that is described and asked, and checks seen from the bench by probes that can read there."""
    if suite.console is not None and suite.console.error is not None:
        lint_pattern(notes, suite.console.error, ("console", "error"))
    asked: list[tuple[KeyPath, str]] = [
        (("checks", number, "probe"), check.probe) for number, check in enumerate(suite.checks) if check.probe
    ]
    if suite.serial.firmware is not None and "firmware" in suite.serial.model_fields_set:
        asked.append((("serial", "firmware", "probe"), suite.serial.firmware.probe))
    for path, probe in asked:
        declaration = catalogue.declaration(probe)
        if suite.console is None and declaration is not None and CONSOLE in declaration.services:
            notes.error(
                path,
                f"{probe} asks over a serial console, and the suite describes none",
                "Add a table [console] with the line settings.",
                concerns=[("console",)],
            )
    for number, check in enumerate(suite.checks):
        declaration = declaration_of(check, catalogue)
        if check.seen_from == "unit" or declaration is None:
            continue
        lacking = [service for service in declaration.services if service not in BENCH_HAS]
        if lacking:
            what = f"{check.probe} cannot be seen from the bench: it needs {', '.join(lacking)}"
            notes.error(("checks", number, "seen_from"), what, "Take seen_from away.", at_key=True)
