"""What an injured run left behind, and whether taking it up again made a whole one of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from whole_runs import CHECKS, WHOLE, Child

from verifier.gather.journal import Event, read
from verifier.seal import TrustList, audit, load_all


@dataclass(frozen=True, slots=True)
class Left:
    """The good events of a run's journal, and whether its report stands."""

    events: tuple[Event, ...]
    sealed: bool

    @classmethod
    def at(cls, folder: Path) -> Left:
        journals = list((folder / "station").glob("runs/*/journal"))
        if not journals or not journals[0].stat().st_size:
            return cls((), sealed=False)
        return cls(read(journals[0]).events, sealed=bool(list(journals[0].parent.glob("report*.html"))))


def problems(folder: Path, lefts: list[Left], last: Child) -> list[str]:
    """All that is wrong after the last resume, given what each injury left."""
    wrong = []
    end = Left.at(folder)
    for left in lefts:
        if end.events[: len(left.events)] != left.events:
            wrong.append("journalled events are gone")
        finished = {e.data["check"] for e in left.events if e.kind == "finding"}
        again = {e.data["check"] for e in end.events[len(left.events) :] if e.kind == "check-began"}
        if finished & again:
            wrong.append(f"finished checks were taken again: {finished & again}")
    if last.nothing_to_do and not lefts[-1].events:
        return wrong  # it had not begun
    if last.nothing_to_do and not lefts[-1].sealed:
        wrong.append("an open run was not found")
    if not last.nothing_to_do and last.code != WHOLE:
        wrong.append(f"the resume ended with {last.code}: {last.words}")
    audited = audit([folder / "station" / "runs"], TrustList.of(load_all(folder / "station" / "keys")))
    if audited.exit_code != 0 or len(audited.lines) != 2:
        wrong.append(f"audit: {[line.sentence for line in audited.lines]}")
    if {e.data["check"] for e in end.events if e.kind == "finding"} != CHECKS:
        wrong.append("not every check has a finding")
    return wrong
