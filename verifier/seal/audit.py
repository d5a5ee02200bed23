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

from verifier.seal.amending import Standing, counted, files_beside
from verifier.seal.durable import read_bounded
from verifier.seal.envelope import LARGEST_FILE
from verifier.seal.page import check_page, looks_like_page
from verifier.seal.run_files import RECORD_NAMES, REPORT_NAMES
from verifier.seal.trust import TrustList
from verifier.seal.verify import (
    A_RECORD,
    AN_AMENDMENT,
    Checked,
    Part,
    Proofs,
    Signer,
    Status,
    check_sealed,
    worst,
)

Kind = Literal["record", "report", "amendment", "unknown"]
_SUFFIXES = (".json", ".html", ".htm")
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
    amends: str = ""
    """For an amendment: SHA-256 of the record's JWS that it amends."""
    said: str = ""
    """For an amendment: what it does, in words."""
    standing: Standing = field(default_factory=Standing)
    """What the amendments that are at hand, and count, make of this record or report."""
    raw: bytes = field(default=b"", repr=False)
    """An amendment's bytes."""
    digest: str = field(default="", repr=False)
    """SHA-256 of the record's JWS, by which a report and its record are matched."""

    @property
    def sentence(self) -> str:
        """The status in words, without the file's name."""
        if self.status is Status.UNALTERED and self.signer:
            signer = self.signer
            what = "unaltered since sealed by"
            about = {"simulated": ", simulated: no real unit", "self": ", a computer about itself"}
            whole = f"{what} {signer.station} (key {signer.thumbprint}){about.get(signer.role, '')}"
            return "; ".join(text for text in (whole, self.said, amended_words(self.standing)) if text)
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
        whole = f"{words.get(self.status, self.status)}: {reasons}" if reasons else words[self.status]
        return "; ".join(text for text in (whole, amended_words(self.standing)) if text)


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


def amended_words(standing: Standing) -> str:
    """VOIDED, SUPERSEDED or corrected, with what by; empty where a record stands as it was sealed."""
    said = []
    if standing.voided:
        said.append(f"VOIDED on {standing.voided.at[:10]}: {standing.voided.reason}")
    if standing.superseded and standing.superseded.successor:
        said.append(f"SUPERSEDED BY run {standing.superseded.successor.run}: {standing.superseded.reason}")
    fields = dict.fromkeys(change.field for correction in standing.corrections for change in correction.fields)
    if fields:
        said.append(f"CORRECTED since: {', '.join(fields)}")
    return "; ".join(said)


def audit(paths: Sequence[Path], trust: TrustList, proofs: Proofs | None = None) -> Audit:
    """Audit files and, recursively, folders. `trust` is all that is believed; nothing is written.

    `proofs` gives what the station's own ledger can show of records by keys that were retired since.
    """
    lines: list[AuditLine] = []
    skipped: list[Path] = []
    for path in paths:
        for file, named in _files(path):
            line = audit_file(file, trust, named=named, proofs=proofs)
            if line is None:
                skipped.append(file)
            else:
                lines.append(line)
        if path.is_dir() and not any(_within(line.path, path) for line in lines):
            nothing = Part("folder", Status.UNREADABLE, "there is no sealed record and no report in it")
            lines.append(AuditLine(path, "unknown", Status.UNREADABLE, (nothing,)))
    return Audit(tuple(_amended(_matched(lines), trust, proofs)), tuple(skipped))


def audit_file(
    path: Path, trust: TrustList, *, named: bool = True, proofs: Proofs | None = None
) -> AuditLine | None:
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
        return _report(path, data, trust, proofs)
    if not ours and path.name not in _RUN_FILES:
        return _unreadable(path, "it is neither a sealed record nor a report")
    typs = A_RECORD if path.name in _RUN_FILES else (*A_RECORD, *AN_AMENDMENT)
    checked = check_sealed(data, trust, proofs=proofs, typs=typs)
    if checked.typ in AN_AMENDMENT:
        return _amendment(path, data, checked)
    return _line(path, "record", checked.parts, checked)


def _report(path: Path, data: bytes, trust: TrustList, proofs: Proofs | None) -> AuditLine:
    page = check_page(data, trust, proofs)
    parts = [page.page, *(page.record.parts if page.record else [])]
    line = replace(_line(path, "report", parts, page.record or Checked([])), renderer=page.renderer)
    if line.signer and page.amendments:
        inside = [(f"{n} within {path.name}", data) for n, data in enumerate(page.amendments, 1)]
        line = replace(line, standing=_counted(inside, line, trust, proofs))
    return line


def _amendment(path: Path, data: bytes, checked: Checked) -> AuditLine:
    line = _line(path, "amendment", checked.parts, checked)
    if line.signer is None:
        return line
    record = checked.record
    run, fields = record["run"], record.get("fields")
    names = (
        [_text(field, "field") for field in fields if isinstance(field, dict)] if isinstance(fields, list) else []
    )
    said = {
        "correct": f"corrects run {run} ({', '.join(names)})",
        "void": f"voids run {run}: {_text(record, 'reason')}",
        "supersede": f"supersedes run {run} by run {_text(record, 'successor', 'run')}: {_text(record, 'reason')}",
    }[record["kind"]]
    return replace(line, amends=record["amends"], said=said, raw=data)


def _amended(lines: Iterable[AuditLine], trust: TrustList, proofs: Proofs | None) -> Iterator[AuditLine]:
    """Says on each record's line what amendments say that were audited with it, lie beside it, or are in it."""
    lines = list(lines)
    at_hand: dict[str, list[tuple[str, bytes]]] = defaultdict(list)
    for line in lines:
        if line.amends and line.status is Status.UNALTERED:
            at_hand[line.amends].append((line.path.name, line.raw))
    for line in lines:
        if not line.signer or not line.digest or line.kind == "amendment":
            yield line
            continue
        inside = [(f"within {line.path.name}", a.raw) for a in line.standing.amendments]
        files = [*inside, *at_hand[line.digest], *_beside(line.path)]
        if not files:
            yield line
            continue
        standing = _counted(files, line, trust, proofs)
        yield replace(line, standing=standing, notes=(*line.notes, *dict.fromkeys(standing.problems)))


def _beside(path: Path) -> list[tuple[str, bytes]]:
    """The amendments that lie beside a run's files, audited or not."""
    return list(files_beside(path.parent))


def _counted(
    files: Iterable[tuple[str, bytes]], line: AuditLine, trust: TrustList, proofs: Proofs | None
) -> Standing:
    assert line.signer is not None  # noqa: S101 - its callers ask
    return counted(files, line.digest, line.signer.role, line.signer.thumbprint, trust, proofs)


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
        if line.digest and line.kind != "amendment":
            folders[line.path.parent].append(line)
    for line in lines:
        pairs = line.digest and line.kind != "amendment"
        others = [other for other in folders[line.path.parent] if pairs and other.kind != line.kind]
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
    folders = [str(path)]
    while folders:
        try:
            with os.scandir(folders.pop()) as found:
                entries = sorted(found, key=lambda entry: entry.name)
        except OSError:
            continue
        # Links to folders are not followed: they could lead round in a circle.
        folders += reversed([entry.path for entry in entries if entry.is_dir(follow_symlinks=False)])
        for entry in entries:
            if entry.name.lower().endswith(_SUFFIXES) and not entry.is_dir():
                yield Path(entry.path), False


def _unreadable(path: Path, why: str) -> AuditLine:
    return AuditLine(path, "unknown", Status.UNREADABLE, (Part("file", Status.UNREADABLE, why),))


def _within(path: Path, folder: Path) -> bool:
    return path == folder or folder in path.parents


def _text(record: dict[str, Any], *steps: str) -> str:
    value: Any = record
    for step in steps:
        value = value.get(step) if isinstance(value, dict) else None
    return value if isinstance(value, str) else ""
