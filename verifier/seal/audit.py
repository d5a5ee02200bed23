"""Are these files unaltered, by whom sealed, and do they belong together?

Takes sealed records, reports and folders, and a trust list; gives one line a file. Offline, and
nothing that comes with a file is believed: see the rules in `verify` and `page`.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from verifier.seal.durable import read_bounded
from verifier.seal.envelope import LARGEST_FILE
from verifier.seal.page import check_page, looks_like_page
from verifier.seal.run_files import RECORD_NAMES, REPORT_NAMES
from verifier.seal.trust import TrustList
from verifier.seal.verify import Checked, Part, Signer, Status, check_sealed, worst

Kind = Literal["record", "report", "unknown"]
_SUFFIXES = {".json", ".html", ".htm"}
_OURS = (b'"receipt":{', b'"record":"ey', b'"disclosed":{')
_RUN_FILES = {*RECORD_NAMES, *REPORT_NAMES}
"""Names that a run's folder gives: a file of that name is audited whatever is in it."""


@dataclass(frozen=True, slots=True)
class AuditLine:
    """What an audit found about one file."""

    path: Path
    kind: Kind
    status: Status
    parts: tuple[Part, ...] = ()
    signer: Signer | None = None
    """Set only where the record's signature is good and by a trusted key."""
    kid: str = ""
    """The key that the seal names."""
    run: str = ""
    serial: str = ""
    model: str = ""
    disposition: str = ""
    renderer: str = ""
    withheld: int = 0
    """Personal fields that this copy withholds."""
    notes: tuple[str, ...] = ()
    digest: str = field(default="", repr=False)
    """SHA-256 of the record's JWS, by which a report and its record are matched."""

    @property
    def sentence(self) -> str:
        """The status in words, without the file's name."""
        if self.status is Status.UNALTERED and self.signer:
            signer = self.signer
            what = "unaltered since sealed by"
            about = {"simulated": ", simulated: no real unit", "self": ", a computer about itself"}
            return f"{what} {signer.station} (key {signer.thumbprint}){about.get(signer.role, '')}"
        bad = [part for part in self.parts if part.status not in (None, Status.UNALTERED)]
        words = {
            Status.ALTERED: "ALTERED",
            Status.MISMATCH: "DOES NOT BELONG with the file beside it",
            Status.WRONG_ROLE: "SEALED WITH A KEY FOR ANOTHER ROLE",
            Status.UNKNOWN_SIGNER: "unknown signer",
            Status.RETIRED_KEY: "signature good, not shown to predate the key's retirement",
            Status.DAMAGED: "damaged",
            Status.UNREADABLE: "unreadable",
        }
        reasons = "; ".join(f"{part.name}: {part.note}" if part.note else part.name for part in bad)
        return f"{words.get(self.status, self.status)}: {reasons}" if reasons else words[self.status]


@dataclass(frozen=True, slots=True)
class Audit:
    """All lines of one audit."""

    lines: tuple[AuditLine, ...]
    skipped: tuple[Path, ...]
    """Files in folders that are neither sealed records nor reports."""

    @property
    def exit_code(self) -> int:
        """0 all unaltered and by a trusted signer; 1 at least one not; 2 unreadable, or nothing to audit."""
        statuses = {line.status for line in self.lines}
        if statuses - {Status.UNALTERED, Status.UNREADABLE}:
            return 1
        return 0 if statuses == {Status.UNALTERED} else 2


def audit(paths: Sequence[Path], trust: TrustList) -> Audit:
    """Audit files and, recursively, folders. `trust` is all that is believed; nothing is written."""
    lines: list[AuditLine] = []
    skipped: list[Path] = []
    for path in paths:
        for file, named in _files(path):
            line = audit_file(file, trust, named=named)
            if line is None:
                skipped.append(file)
            else:
                lines.append(line)
        if path.is_dir() and not any(_within(line.path, path) for line in lines):
            nothing = Part("folder", Status.UNREADABLE, "there is no sealed record and no report in it")
            lines.append(AuditLine(path, "unknown", Status.UNREADABLE, (nothing,)))
    return Audit(tuple(_matched(lines)), tuple(skipped))


def audit_file(path: Path, trust: TrustList, *, named: bool = True) -> AuditLine | None:
    """One file; None for one that was only found in a folder and is nothing of ours."""
    try:
        data = read_bounded(path, LARGEST_FILE)
    except OSError as error:
        return _unreadable(path, error.strerror or str(error))
    html = path.suffix.lower() in {".html", ".htm"} or (data[:1] != b"{" and looks_like_page(data))
    ours = looks_like_page(data) if html else any(mark in data for mark in _OURS)
    if not ours and not named and path.name not in _RUN_FILES:
        return None
    if len(data) > LARGEST_FILE:
        return _unreadable(path, f"it is longer than {LARGEST_FILE} bytes, more than any file that is sealed")
    if html:
        return _report(path, data, trust)
    if not ours and path.name not in _RUN_FILES:
        return _unreadable(path, "it is neither a sealed record nor a report")
    checked = check_sealed(data, trust)
    return _line(path, "record", checked.parts, checked)


def _report(path: Path, data: bytes, trust: TrustList) -> AuditLine:
    page = check_page(data, trust)
    parts = [page.page, *(page.record.parts if page.record else [])]
    return replace(_line(path, "report", parts, page.record or Checked([])), renderer=page.renderer)


def _line(path: Path, kind: Kind, parts: Iterable[Part], checked: Checked) -> AuditLine:
    parts = tuple(parts)
    # Nothing of a record is repeated unless its own signature is good: words of a forger are not spread.
    record = checked.record
    return AuditLine(
        path=path,
        kind=kind,
        status=worst([part.status for part in parts if part.status]),
        parts=parts,
        signer=checked.signer,
        kid=checked.kid,
        run=record.get("run", ""),
        serial=_text(record, "unit", "serial"),
        model=_text(record, "unit", "model"),
        disposition=_text(record, "outcome", "disposition"),
        withheld=checked.withheld,
        notes=tuple(checked.notes),
        digest=checked.envelope.digest if checked.envelope and checked.signer else "",
    )


def _matched(lines: list[AuditLine]) -> Iterator[AuditLine]:
    """Reports and records that lie together must belong together.

    In one folder, a report and a record of one run hold the same record; and where a `report.html` and a
    `sealed.json` lie, they are of one run.
    """
    folders: dict[Path, list[AuditLine]] = defaultdict(list)
    for line in lines:
        if line.digest:
            folders[line.path.parent].append(line)
    for line in lines:
        others = [other for other in folders[line.path.parent] if line.digest and other.kind != line.kind]
        for other in others:
            same_run = other.run == line.run
            a_pair = {line.path.name, other.path.name} <= _RUN_FILES
            if (same_run or a_pair) and other.digest != line.digest:
                note = f"{other.path.name} beside it is " + (
                    "another record of the same run" if same_run else f"of another run, {other.run}"
                )
                parts = (*line.parts, Part("pair", Status.MISMATCH, note))
                line = replace(line, parts=parts, status=worst([line.status, Status.MISMATCH]))  # noqa: PLW2901
                break
        yield line


def _files(path: Path) -> Iterator[tuple[Path, bool]]:
    """The files to look at, and whether each was named by whoever asked."""
    if not path.is_dir():
        yield path, True
        return
    for folder, folders, names in os.walk(path):
        folders.sort()
        for name in sorted(names):
            if Path(name).suffix.lower() in _SUFFIXES:
                yield Path(folder) / name, False


def _unreadable(path: Path, why: str) -> AuditLine:
    return AuditLine(path, "unknown", Status.UNREADABLE, (Part("file", Status.UNREADABLE, why),))


def _within(path: Path, folder: Path) -> bool:
    return path == folder or folder in path.parents


def _text(record: dict[str, Any], *steps: str) -> str:
    value: Any = record
    for step in steps:
        value = value.get(step) if isinstance(value, dict) else None
    return value if isinstance(value, str) else ""
