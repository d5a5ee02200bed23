"""A suite and a probe in plain text, for people: readable without colour and at 80 columns."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from verifier.declare.cautions import cautions_of
from verifier.declare.coverage import by_eye_only
from verifier.declare.durations import duration_text
from verifier.declare.forecast import forecast_of
from verifier.declare.spelling import plain
from verifier.declare.suite import (
    Check,
    Console,
    Cycles,
    Decision,
    Fit,
    Ladder,
    Rule,
    Serial,
    Suite,
)
from verifier.readings import Stage

if TYPE_CHECKING:
    from verifier.gather.simulated.faults import Fault
    from verifier.readings import Catalogue, ProbeDeclaration

_FITS = {
    Fit.AGAIN: "may be fitted again",
    Fit.NEW_ONLY: "new only",
    Fit.AGAIN_IF_UNDAMAGED: "may be fitted again if undamaged",
}


def width() -> int:
    """Columns to write in: those of the terminal up to 100, else 80."""
    return min(shutil.get_terminal_size((80, 24)).columns, 100) if sys.stdout.isatty() else 80


def wrapped(text: str) -> str:
    """A sentence over as many lines as the terminal needs, broken between words, later ones indented."""
    return textwrap.fill(text, width(), subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def suite_text(suite: Suite, columns: int = 80, catalogue: Catalogue | None = None) -> str:
    """The suite as a person reads it: checks stage by stage with their limits in words, then the joints.

    With the catalogue of probes, what those foresee is told beside each check, and their cautions.
    """
    return "\n".join(_Writer(columns, catalogue).suite(suite)) + "\n"


def probe_text(declaration: ProbeDeclaration, package: str = "", columns: int = 80) -> str:
    """A probe in full: what it reads, settings, readings with units, needs, sources, an example."""
    return "\n".join(_Writer(columns).probe(declaration, package)) + "\n"


def faults_text(unit: str, faults: Mapping[str, Fault], suite: Suite, columns: int = 80) -> str:
    """The faults that a simulated unit knows, in the order of its catalogue."""
    writer, told = _Writer(columns), len(faults)
    lines = [f"{plain(unit)}: {told} fault{'s' * (told != 1)}", ""]
    for name, fault in faults.items():
        joint = suite.joints[fault.joint].title if fault.joint in suite.joints else ""
        lines += writer.wrapped(name)
        lines += writer.wrapped(fault.title + (f" (joint: {joint})" if joint else ""), 2)
        if len(fault.severities) > 1:
            lines += writer.wrapped(f"severities: {', '.join(fault.severities)}", 2)
    lines += [
        "",
        *writer.wrapped("Put one in: verifier run SUITE --at simulated --scripted --fault NAME[=SEVERITY]"),
        "Without a severity it is the first one.",
        *writer.wrapped("Which of them the suite finds: verifier suite prove SUITE"),
    ]
    return "\n".join(lines) + "\n"


class _Writer:
    def __init__(self, columns: int, catalogue: Catalogue | None = None) -> None:
        self.columns = max(columns, 40)
        self.catalogue = catalogue
        self.decision = Decision()

    def wrapped(self, text: str, indent: int = 0, hanging: int | None = None) -> Iterator[str]:
        after = " " * (indent if hanging is None else hanging)
        lines = textwrap.wrap(
            plain(" ".join(text.split()), 20_000),
            self.columns,
            initial_indent=" " * indent,
            subsequent_indent=after,
            break_on_hyphens=False,
        )
        yield from lines or [""]

    def named(self, name: str, text: str, indent: int = 2, column: int = 12) -> Iterator[str]:
        """A name, and a text beside it that hangs under itself; below it where there is no room."""
        start = indent + max(column, len(name) + 2)
        if start + 20 > self.columns:
            yield " " * indent + name
            yield from self.wrapped(text, indent + 2)
            return
        first, *rest = self.wrapped(text, start)
        yield f"{' ' * indent}{name:<{start - indent}}{first.lstrip()}"
        yield from rest

    def suite(self, suite: Suite) -> Iterator[str]:
        yield from self.wrapped(suite.title)
        yield from self.named("model", suite.model, 0)
        yield from self.named("revision", f"{suite.revision}, {suite.state}", 0)
        yield from self.named("decision", _decision_words(suite), 0)
        yield from self.named("serial", _serial_words(suite.serial), 0)
        if suite.console is not None:
            yield from self.named("console", _console_words(suite.console), 0)
        self.decision = suite.decision
        for caution in cautions_of(suite, self.catalogue) if self.catalogue else suite.cautions:
            yield from self.named("caution", caution, 0)
        if suite.ladder is not None:
            yield from self.ladder(suite, suite.ladder)
        for stage in Stage:
            checks = [check for check in suite.checks if check.stage is stage]
            if checks:
                yield ""
                yield from self.wrapped(stage.words)
            for check in checks:
                yield ""
                yield from self.check(check)
        if suite.parts:
            yield from ("", "Parts")
            for name, part in suite.parts.items():
                yield ""
                yield from self.wrapped(f"{name}: {part.title}", 2, 4)
                through = f"; reached through {', '.join(part.reached_through)}" if part.reached_through else ""
                yield from self.wrapped(f"{_FITS[part.fit]}{through}", 4)
                if part.joints:
                    yield from self.wrapped(f"disturbs {', '.join(part.joints)}", 4)
        if suite.joints:
            yield from ("", "Joints and what proves them")
            for name, joint in suite.joints.items():
                yield ""
                yield from self.wrapped(f"{name}: {joint.title}", 2, 4)
                yield from self.wrapped(_covered_words(suite, name), 4)
                if joint.faults:
                    yield from self.wrapped(f"faults: {', '.join(joint.faults)}", 4)

    def ladder(self, suite: Suite, ladder: Ladder) -> Iterator[str]:
        said = " or ".join(f"“{phrase}”" for phrase in ladder.complaint)
        yield ""
        what = f"First and alone where the complaint says {said}; where one fails, nothing else is made:"
        yield from self.wrapped(what)
        yield ""
        for number, rung in enumerate(ladder.rungs, 1):
            yield from self.wrapped(f"{number}. {rung.check}: {suite.check(rung.check).title}", 2, 5)
            yield from self.wrapped(f"where it fails, look at {rung.look}", 5)

    def check(self, check: Check) -> Iterator[str]:
        from verifier.judge.limits import limit_words

        yield from self.wrapped(f"{check.id}: {check.title}", 2, 4)
        if check.probe is not None:
            settings = ", ".join(f"{key} = {toml_value(value)}" for key, value in check.settings.items())
            seen = ", seen from the bench" if check.seen_from == "bench" else ""
            yield from self.named("probe", f"{check.probe}{f' with {settings}' if settings else ''}{seen}", 4)
            yield from self.foreseen(check)
        else:
            yield from self.named("prompt", _prompt_words(check), 4)
            yield from self.named("says", check.say or "", 4)
        for name, text in check.compute.items():
            yield from self.named("computes", f"{name} = {text}", 4)
        for statement in check.uncertainty:
            figure = f"u = {statement.u:g}" if statement.u is not None else f"within ± {statement.half_width:g}"
            dof = f", {statement.dof:g} degrees of freedom" if statement.dof is not None else ""
            text = f"{statement.reading} {figure} {statement.unit}{dof} ({statement.basis}: {statement.source})"
            yield from self.named("uncertain", text, 4)
        for limit in check.limits:
            source = limit.source.strip() or "no source given"
            yield from self.named("limit", f"{limit.reading}: {limit_words(limit)} ({source})", 4)
        if not check.limits:
            yield from self.named("limit", "none: taken and not judged", 4)
        if check.covers:
            yield from self.named("covers", ", ".join(check.covers), 4)
        if check.after:
            yield from self.named("after", ", ".join(check.after), 4)
        if check.once_done:
            yield from self.named("once done", ", ".join(check.once_done), 4)
        if check.needs:
            yield from self.named("needs", ", ".join(check.needs), 4)
        notes = _note_words(check)
        if (declaration := self._declared(check)) is not None and declaration.pauses:
            notes.insert(0, "the run pauses for it; `verifier resume` goes on")
        if notes:
            yield from self.named("note", "; ".join(notes), 4)

    def _declared(self, check: Check) -> ProbeDeclaration | None:
        return self.catalogue.declaration(check.probe) if self.catalogue and check.probe else None

    def foreseen(self, check: Check) -> Iterator[str]:
        """What its probe says beforehand, as it would say it to whoever waits; tables are not wrapped."""
        declaration = self._declared(check)
        forecast = forecast_of(check, declaration, self.decision) if declaration else None
        for number, line in enumerate(forecast.words if forecast else ()):
            yield f"    {'plan' if number == 0 else '':<12}{plain(line, 500)}".rstrip()

    def probe(self, declaration: ProbeDeclaration, package: str) -> Iterator[str]:
        from verifier.declare.settings import describe_settings
        from verifier.declare.units import shown as unit_shown

        yield from self.wrapped(f"{declaration.name}: {declaration.title}")
        yield ""
        yield from self.wrapped(declaration.what)
        yield from ("", "Settings")
        settings = describe_settings(declaration)
        if not settings:
            yield "  none"
        column = min(max((len(setting.name) for setting in settings), default=0) + 2, 26)
        for setting in settings:
            default = "" if setting.default is None else f", unless given {toml_value(setting.default)}"
            needed = ", needed" if setting.needed else default
            yield from self.named(setting.name, f"{setting.takes}{needed}. {setting.what}", column=column)
        yield from ("", "Readings")
        column = min(max(len(reading.name) for reading in declaration.readings) + 2, 26)
        for reading in declaration.readings:
            unit = unit_shown(reading.unit) or "plain number"
            kind = f"number, in {unit}" if reading.kind == "number" else reading.kind
            kind = kind.replace("number, in plain number", "plain number")
            optional = ", not on every machine" if reading.optional else ""
            yield from self.named(reading.name, f"{kind}{optional}. {reading.what}", column=column)
        yield from ("", "Needs")
        yield from self.named("of the host", ", ".join(declaration.services) or "nothing", column=14)
        if declaration.cues:
            yield from self.named("technician", "acts when asked, while the probe watches", column=14)
        if declaration.pauses:
            yield from self.named("run", "may pause while it waits, and goes on by `verifier resume`", column=14)
        for caution in declaration.cautions:
            yield from self.named("caution", caution, column=14)
        for privilege in declaration.privileges:
            yield from self.named("privilege", privilege, column=14)
        yield from self.named("time", f"{declaration.timeout:g} s at most, unless timeout says else", column=14)
        if package and package != "verifier":
            yield from self.named("package", package, column=14)
        if declaration.sources:
            yield from ("", "Sources")
            for source in declaration.sources:
                yield from self.wrapped(source, 2, 4)
        if declaration.example.strip():
            yield from ("", "Example", "")
            # To be copied, so never wrapped.
            yield from (f"  {plain(line, 500)}".rstrip() for line in declaration.example.strip().splitlines())


def toml_value(value: Any) -> str:
    """A value as TOML writes it."""
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{key} = {toml_value(item)}' for key, item in value.items())} }}"
    if isinstance(value, float):
        return f"{value:g}"
    return json.dumps(value, ensure_ascii=False)


def _console_words(console: Console) -> str:
    parity = console.parity[0].upper()
    form = f"{console.bits}{parity}{console.stop_bits}"
    words = f"{console.baud} baud, {form}, {console.ending.replace('-', ' ').upper()}"
    flow = "" if console.flow == "none" else f", flow control {console.flow}"
    echo = ", echoes" if console.echo else ""
    safe = f"; at rest after {', '.join(console.safe)}" if console.safe else ""
    return f"{words}{flow}{echo}, a reply within {duration_text(console.wait)}{safe}"


def _decision_words(suite: Suite) -> str:
    decision = suite.decision
    if decision.rule is Rule.SIMPLE:
        return "simple: reading against limit, uncertainty not used"
    return f"guarded: at most {decision.max_false_accept:.3g} chance that a passed value lies outside its limit"


def _serial_words(serial: Serial) -> str:
    words = ["scanned from the label" if serial.label else "no label"]
    if serial.firmware is not None:
        words.append(f"stated by firmware ({serial.firmware.probe}: {serial.firmware.reading})")
    if serial.pattern is not None:
        words.append(f"looks like {serial.pattern}")
    if serial.check_digit is not None:
        words.append(f"check digit {serial.check_digit}")
    return ", ".join(words)


def _prompt_words(check: Check) -> str:
    words = [str(check.prompt)]
    if check.options:
        words.append(f"of {', '.join(check.options)}")
    if check.unit and check.unit != "1":
        words.append(f"in {check.unit}")
    if check.range:
        words.append(f"from {check.range[0]:g} to {check.range[1]:g}")
    if check.duration:
        words.append(f"for {duration_text(check.duration)}")
    if check.picture:
        words.append(f"with {check.picture}")
    return " ".join(words)


def _note_words(check: Check) -> list[str]:
    words = []
    if not check.required:
        words.append("not required for release")
    if check.if_absent == "not-fitted":
        words.append("where the hardware is absent it counts as not fitted")
    if check.instead_of:
        words.append(f"made only where {check.instead_of} could not be run")
    if check.second_person:
        words.append("asks another person")
    if check.quarantines:
        words.append("a fail quarantines the unit")
    if check.cycles:
        words.append(_cycles_words(check.cycles))
    if check.repeat:
        words.append(f"taken {check.repeat.times} times, pooled by {check.repeat.pool}")
    if check.timeout:
        words.append(f"ended after {duration_text(check.timeout)}")
    if check.covers and by_eye_only(check):
        words.append("proves its joints by eye only")
    return words


def _cycles_words(cycles: Cycles) -> str:
    words = f"in {cycles.number} cycles"
    if cycles.between:
        words += f", each after: “{cycles.between}”"
    if cycles.positions:
        words += f", in the positions {', '.join(cycles.positions)}"
    return words + (", no more after a fail" if cycles.stop == "first-fail" else "")


def _covered_words(suite: Suite, joint: str) -> str:
    """Which checks cover a joint, and which repairs disturb it."""
    checks = [
        check
        for check in suite.checks
        if joint in check.covers and check.judged and check.stage is not Stage.ARRIVAL
    ]
    if not checks:
        words = "covered by no check: a repair that disturbs it needs a waiver"
    else:
        words = f"covered by {', '.join(check.id for check in checks)}"
        if all(by_eye_only(check) for check in checks):
            words += ", by eye only"
    parts = [name for name, part in suite.parts.items() if joint in part.joints]
    return f"{words}; disturbed by {', '.join(parts)}" if parts else words
