"""Readings held against what their probe declared, so that nonsense never reaches a journal."""

from __future__ import annotations

import math
import re
from dataclasses import replace

from verifier.declare.patterns import compiled
from verifier.errors import BenchFault
from verifier.readings import Grid, ProbeDeclaration, Reading, ReadingDeclaration, SoFar
from verifier.steps import Ask, Consult, Cue, Look, Pause, Step

READINGS_LIMIT = 1000
"""Readings that one probe may give in one take."""
TEXT_LIMIT = 2000
ORIGIN_LIMIT = 1000
CUES_LIMIT = 1000
"""Cues in one take."""
CUE_LIMIT = 500
CODE_LIMIT = 40
"""Characters of a code for a camera: more makes it too large for a terminal."""
NAME_LIMIT = 64
LONGEST_PAUSE = 366 * 86_400.0
"""Seconds."""
SAMPLES_LIMIT = 200_000
CELLS_LIMIT = 200
"""Cells of a grid along each of its sides."""
LEGEND_LIMIT = 6
LOOKS_LIMIT = 100
"""Looks in one take."""
CONTRIBUTIONS_LIMIT = 100
LARGEST = 2**53
"""Larger whole numbers are not exact in a record."""
_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")


class Expected:
    """What one take of a probe may give. Raises BenchFault with what was wrong, in words."""

    def __init__(self, declaration: ProbeDeclaration, so_far: SoFar | None = None) -> None:
        self._declaration = declaration
        self._given = {reading.name for reading in so_far.readings} if so_far else set[str]()
        self._cues = self._looks = 0
        self._paused = False

    def accept(self, step: Step) -> Step:
        """What may be passed on."""
        if self._paused:
            raise self._wrong("goes on although it let the run pause")
        match step:
            case Reading():
                return self._reading(step)
            case Cue() | Ask():
                self._check_words(step)
            case Consult():
                if not self._declaration.consults:
                    raise self._wrong("asks for an instrument without declaring it")
                if not (_is_text(step.probe, NAME_LIMIT) and _is_text(step.instrument, NAME_LIMIT)):
                    raise self._wrong("asks for an instrument by no name")
            case Look():
                self._check_look(step)
            case Pause():
                self._check_pause(step)
            case _:
                raise self._wrong("gave something that is no reading")
        return step

    def _reading(self, reading: Reading) -> Reading:
        if reading.name in self._given:
            raise self._wrong(f"gave {reading.name[:64]} twice")
        if len(self._given) >= READINGS_LIMIT:
            raise self._wrong(f"gave more than {READINGS_LIMIT} readings")
        declared = self._check_reading(reading)
        self._given.add(reading.name)
        # Not left to the probe: one that forgot it would put a name into every copy of the record.
        return replace(reading, personal=declared.personal) if reading.personal != declared.personal else reading

    def _check_reading(self, reading: Reading) -> ReadingDeclaration:
        declared = self._declaration.reading(reading.name)
        shown = reading.name[:64]
        if declared is None or not _NAME.fullmatch(reading.name) or len(reading.name) > 64:
            raise self._wrong(f"gave a reading {shown!r} that it does not declare")
        if reading.unit != declared.unit:
            raise self._wrong(f"gave {shown} in {reading.unit[:32]!r}, declared in {declared.unit!r}")
        self._check_value(reading, declared)
        self._check_uncertainty(reading)
        if not _is_text(reading.origin, ORIGIN_LIMIT):
            raise self._wrong(f"gave an origin of {shown} that is no short text")
        conditions = reading.conditions
        told = _is_text(conditions.doubt, TEXT_LIMIT) and _is_text(conditions.remark, TEXT_LIMIT)
        if not told or not 1 <= conditions.looks <= LOOKS_LIMIT:
            raise self._wrong(f"gave conditions of {shown} that cannot be used")
        return declared

    def _check_look(self, look: Look) -> None:
        """What might be judged: from a probe that declares looks, and of a bounded number."""
        if not self._declaration.looks:
            raise self._wrong("asks whether it may end early without declaring it")
        self._looks += 1
        if self._looks > LOOKS_LIMIT or len(look.readings) > READINGS_LIMIT:
            raise self._wrong(f"asks more than {LOOKS_LIMIT} times whether it may end early")
        for reading in look.readings:
            self._check_reading(reading)

    def _check_words(self, cue: Cue | Ask) -> None:
        """What may be shown: from a probe that declares cues, short and printable."""
        if not self._declaration.cues:
            raise self._wrong("asks for an action without declaring cues")
        self._cues += 1
        if self._cues > CUES_LIMIT:
            raise self._wrong(f"asks for more than {CUES_LIMIT} actions")
        if not _is_line(cue.say):
            raise self._wrong("asks for an action in words that cannot be shown")
        if isinstance(cue, Cue) and not _is_text(cue.code, CODE_LIMIT):
            raise self._wrong("shows a code that is too long, or no text")
        if isinstance(cue, Ask):
            if not (_is_line(cue.hint) and _is_text(cue.about, NAME_LIMIT)):
                raise self._wrong("asks in words that cannot be shown")
            try:
                compiled(cue.pattern)
            except ValueError:
                raise self._wrong("asks for an answer that no pattern describes") from None

    def _check_pause(self, pause: Pause) -> None:
        if not self._declaration.pauses:
            raise self._wrong("lets the run pause without declaring it")
        if not (_is_line(pause.why) and _is_line(pause.say) and 0 <= pause.seconds <= LONGEST_PAUSE):
            raise self._wrong("lets the run pause for a reason that cannot be shown")
        self._paused = True

    def complete(self) -> None:
        """To be asked when the probe has ended by itself."""
        if self._paused:
            return  # what is missing comes after the pause
        for declared in self._declaration.readings:
            if not declared.optional and not any(declared.matches(name) for name in self._given):
                raise self._wrong(f"did not give {declared.name}")

    def _check_value(self, reading: Reading, declared: ReadingDeclaration) -> None:
        value, name = reading.value, reading.name
        match declared.kind:
            case "yes-no":
                if not isinstance(value, bool):
                    raise self._wrong(f"gave {name} as {_shown(value)}, declared as yes or no")
            case "text":
                if not isinstance(value, str):
                    raise self._wrong(f"gave {name} as {_shown(value)}, declared as text")
                if not _is_text(value, TEXT_LIMIT):
                    raise self._wrong(f"gave {name} as a text that is too long or cannot be written")
            case "number":
                if isinstance(value, bool) or not isinstance(value, int | float):
                    raise self._wrong(f"gave {name} as {_shown(value)}, declared as a number")
                if isinstance(value, int) and abs(value) > LARGEST:
                    raise self._wrong(f"gave {name} as a whole number beyond 2^53")
                if not math.isfinite(value):
                    raise self._wrong(f"gave {name} as {value}, which is no finite number")

    def _check_uncertainty(self, reading: Reading) -> None:
        if len(reading.contributions) > CONTRIBUTIONS_LIMIT:
            raise self._wrong(f"gave more than {CONTRIBUTIONS_LIMIT} uncertainty contributions of {reading.name}")
        for contribution in reading.contributions:
            finite = math.isfinite(contribution.u) and contribution.u >= 0
            if not finite or not _is_text(contribution.note, TEXT_LIMIT):
                raise self._wrong(f"gave an uncertainty of {reading.name} that cannot be used")
            if contribution.dof is not None and not contribution.dof > 0:
                raise self._wrong(f"gave degrees of freedom of {reading.name} that are not above 0")
        series = reading.series
        if series is not None and (
            len(series.values) > SAMPLES_LIMIT
            or len(series.model) not in (0, len(series.values))
            or not (math.isfinite(series.t0) and math.isfinite(series.dt) and series.dt > 0)
            or not all(math.isfinite(v) for v in (*series.values, *series.model))
        ):
            raise self._wrong(f"gave samples of {reading.name} that are too many or no finite numbers")
        if reading.grid is not None and not _is_grid(reading.grid):
            raise self._wrong(f"gave cells of {reading.name} that are too many or make no grid")

    def _wrong(self, what: str) -> BenchFault:
        return BenchFault(f"the probe {self._declaration.name} {what}")


def _is_grid(grid: Grid) -> bool:
    signs = [sign for sign, _ in grid.legend]
    told = all(len(sign) == 1 and _is_text(sign + said, 100) for sign, said in grid.legend)
    sides = 0 < len(grid.rows) <= CELLS_LIMIT and 0 < len(grid.rows[0]) <= CELLS_LIMIT
    return (
        told
        and sides
        and 0 < len(signs) <= LEGEND_LIMIT
        and len({len(row) for row in grid.rows}) == 1
        and set("".join(grid.rows)) <= set(signs)
    )


def _is_line(text: object) -> bool:
    return _is_text(text, CUE_LIMIT) and isinstance(text, str) and text.isprintable() and bool(text.strip())


def _is_text(text: object, limit: int) -> bool:
    if not isinstance(text, str) or len(text) > limit:
        return False
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _shown(value: object) -> str:
    return ascii(value)[:60]
