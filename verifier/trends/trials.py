"""Deliberate faults on a real unit: what was put in, and what the suite then said, a line a round.

A scrap or reference unit, never one that goes back to a customer. Rounds of another revision of the suite stay in
the file and do not count: another suite is another question.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from verifier.errors import InputError
from verifier.readings import Disposition, Verdict
from verifier.trends.detection import Tally


@dataclass(frozen=True, slots=True)
class Round:
    """One run with a fault that was put in on purpose, or with none (both empty)."""

    suite_sha256: str
    fault: str
    severity: str
    run: str
    disposition: str = ""
    """Empty while the run goes on."""
    verdicts: tuple[tuple[str, str], ...] = ()
    """Check and verdict; a check without limits is left out."""


class Rounds:
    """The rounds of one model, in a file of the station."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._rounds = {found.run: found for found in _read(file)}

    def of(self, suite_sha256: str) -> list[Round]:
        return [found for found in self._rounds.values() if found.suite_sha256 == suite_sha256]

    def open(self) -> Round | None:
        """The round that was begun and is not over, the newest first."""
        return next((found for found in reversed(self._rounds.values()) if not found.disposition), None)

    def keep(self, found: Round) -> None:
        """Begin a round, or end it: the last line of a run counts. On disk before it returns."""
        self._file.parent.mkdir(parents=True, exist_ok=True)
        with self._file.open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(found), separators=(",", ":")) + "\n")
            file.flush()
            os.fsync(file.fileno())
        self._rounds[found.run] = found


def tallies(rounds: Iterable[Round], covering: Mapping[str, frozenset[str]]) -> dict[tuple[str, str], Tally]:
    """Rounds that are over, by fault and severity. `covering` has the checks that cover each fault's joint."""
    found: dict[tuple[str, str], Tally] = {}
    for one in rounds:
        if one.disposition:
            verdicts: dict[str, Verdict | None] = {check: Verdict(verdict) for check, verdict in one.verdicts}
            tally = found.setdefault((one.fault, one.severity), Tally())
            tally.add(Disposition(one.disposition), verdicts, covering.get(one.fault, frozenset()))
    return found


def _read(file: Path) -> list[Round]:
    """Every whole line; a last one that was cut off is left out."""
    try:
        lines = file.read_text("utf-8").splitlines() if file.exists() else []
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"cannot be read: {error}", where=str(file), to_do="Move it away.") from None
    found = []
    for number, line in enumerate(lines, 1):
        try:
            data = json.loads(line)
            data["verdicts"] = tuple((str(check), Verdict(verdict).value) for check, verdict in data["verdicts"])
            if data["disposition"]:
                Disposition(data["disposition"])
            found.append(Round(**data))
        except (ValueError, KeyError, TypeError, AttributeError):
            if number == len(lines):
                break
            raise InputError(
                "is no round of a trial", where=f"{file}:{number}", to_do="Mend or remove it."
            ) from None
    return found
