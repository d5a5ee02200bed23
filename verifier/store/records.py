"""The station's searchable copy of its sealed records: SQLite, always possible to rebuild from them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from verifier.errors import InputError
from verifier.seal.record import Record

SCHEMA = """
CREATE TABLE IF NOT EXISTS runs (
  run TEXT PRIMARY KEY, role TEXT NOT NULL, model TEXT NOT NULL, revision INTEGER NOT NULL,
  serial TEXT, ticket TEXT, station TEXT NOT NULL, began TEXT NOT NULL, ended TEXT NOT NULL,
  disposition TEXT NOT NULL, reason TEXT NOT NULL, record_sha256 TEXT NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS findings (
  run TEXT NOT NULL REFERENCES runs(run) ON DELETE CASCADE, check_id TEXT NOT NULL, stage TEXT NOT NULL,
  required INTEGER NOT NULL, attempt INTEGER NOT NULL, counts INTEGER NOT NULL,
  verdict TEXT, reason TEXT NOT NULL, took_s REAL,
  PRIMARY KEY (run, check_id, attempt)
) STRICT;
CREATE TABLE IF NOT EXISTS amended (
  run TEXT PRIMARY KEY REFERENCES runs(run) ON DELETE CASCADE, standing TEXT NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS findings_by_check ON findings(check_id);
CREATE INDEX IF NOT EXISTS runs_by_model ON runs(model, began);
"""


@dataclass(frozen=True, slots=True)
class Tally:
    """How often a check's first judged attempt passed, over the runs asked for."""

    check: str
    judged: int
    passed: int
    failed: int
    spoilt: int = 0
    """Attempts that ended in a bench error: bench, instrument or cable, never the unit."""

    @property
    def undecided(self) -> int:
        return self.judged - self.passed - self.failed


@dataclass(frozen=True, slots=True)
class StoredRun:
    """How a stored run ended."""

    role: str
    model: str
    serial: str | None
    ended: str
    disposition: str
    reason: str


@contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    """The store, made where it is missing. InputError where it cannot be used."""
    try:
        with closing(sqlite3.connect(path, timeout=10)) as connection:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
            connection.executescript(SCHEMA)
            yield connection
    except sqlite3.Error as error:
        raise InputError(
            f"the store cannot be used: {error}",
            where=str(path),
            to_do="`verifier store rebuild` makes it anew from the sealed records; nothing is lost.",
        ) from error


def put(path: Path, record: Record, record_sha256: str) -> None:
    """Store one record, replacing an earlier copy of the same run."""
    with opened(path) as connection, connection:
        _insert(connection, record, record_sha256)


def set_standing(path: Path, run: str, word: str) -> None:
    """Note that a stored run was voided, superseded or corrected; nothing where the store does not hold it."""
    with opened(path) as connection, connection:
        _set_standing(connection, run, word)


def _set_standing(connection: sqlite3.Connection, run: str, word: str) -> None:
    connection.execute("DELETE FROM amended WHERE run = ?", (run,))
    if word:
        connection.execute("INSERT INTO amended SELECT run, ? FROM runs WHERE run = ?", (word, run))


def put_all(path: Path, records: Iterator[tuple[Record, str, str]]) -> int:
    """Store many records, each with its digest and how it stands, in one transaction; gives how many."""
    count = 0
    with opened(path) as connection, connection:
        for record, digest, standing in records:
            _insert(connection, record, digest)
            _set_standing(connection, record.run, standing)
            count += 1
    return count


def _insert(connection: sqlite3.Connection, record: Record, digest: str) -> None:
    connection.execute("DELETE FROM runs WHERE run = ?", (record.run,))
    connection.execute(
        "INSERT INTO runs VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            record.run,
            record.role,
            record.suite.model,
            record.suite.revision,
            record.unit.serial,
            record.order.ticket,
            record.station.name,
            record.times.began,
            record.times.ended,
            record.outcome.disposition.value,
            record.outcome.reason,
            digest,
        ),
    )
    rows = []
    for check in record.checks:
        counting = check.counting
        for number, attempt in enumerate(check.attempts):
            finding = attempt.finding
            took = None
            if attempt.ended is not None and attempt.ended.boot_id == attempt.began.boot_id:
                took = float(attempt.ended.boot) - float(attempt.began.boot)
            rows.append(
                (
                    record.run,
                    check.id,
                    check.stage.value,
                    check.required,
                    number,
                    attempt is counting,
                    finding.verdict.value if finding and finding.verdict else None,
                    finding.reason if finding else "",
                    took,
                )
            )
    connection.executemany("INSERT INTO findings VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)


def usual_seconds(path: Path, model: str) -> dict[str, float]:
    """Median seconds of each check of a model over its last 50 attempts on real units; empty without a store."""
    if not path.is_file():
        return {}
    took: dict[str, list[float]] = {}
    with opened(path) as connection:
        rows = connection.execute(
            "SELECT check_id, took_s FROM findings JOIN runs USING (run) "
            "WHERE model = ? AND role <> 'simulated' AND took_s IS NOT NULL ORDER BY began DESC LIMIT 5000",
            (model,),
        )
        for check, seconds in rows:
            if len(took.setdefault(check, [])) < 50:
                took[check].append(seconds)
    return {check: median(values) for check, values in took.items()}


_COUNTED = """
FROM runs WHERE model = :model AND (role <> 'simulated' OR :simulated)
AND run NOT IN (SELECT run FROM amended WHERE standing IN ('voided', 'superseded'))
"""
"""The runs of a model that count: simulated ones and recordings only when asked for, voided ones never."""


def tallies(path: Path, model: str, *, simulated: bool = False) -> list[Tally]:
    """First-time results of each check of a model. What was retried counts as it was the first time.

    Simulated runs and recordings never count unless asked for, and what was voided or superseded never does.
    """
    if not path.is_file():
        return []
    with opened(path) as connection:
        rows = connection.execute(
            f"""
            SELECT check_id, count(judged), sum(judged = 'pass'), sum(judged = 'fail'), max(spoilt)
            FROM (
              SELECT check_id,
                CASE WHEN verdict <> 'bench-error' AND row_number() OVER (
                  PARTITION BY run, check_id, verdict = 'bench-error' ORDER BY attempt) = 1
                THEN verdict END AS judged,
                sum(verdict = 'bench-error') OVER (PARTITION BY check_id) AS spoilt
              FROM findings
              WHERE run IN (SELECT run {_COUNTED}) AND verdict IN ('pass', 'fail', 'inconclusive', 'bench-error')
            ) GROUP BY check_id ORDER BY 4 DESC, check_id
            """,  # noqa: S608 - no input in it
            {"model": model, "simulated": simulated},
        )
        return [Tally(check, judged, passed or 0, failed or 0, bad) for check, judged, passed, failed, bad in rows]


def run_counts(path: Path, model: str, *, simulated: bool = False) -> dict[str, int]:
    """How many runs of a model ended in each disposition; of those that `tallies` counts."""
    if not path.is_file():
        return {}
    with opened(path) as connection:
        rows = connection.execute(
            f"SELECT disposition, count(*) {_COUNTED} GROUP BY disposition ORDER BY 2 DESC, 1",
            {"model": model, "simulated": simulated},
        )
        return dict(rows)


def released(path: Path, model: str, *, simulated: bool) -> list[str]:
    """The runs that released a unit of a model, the oldest first: the simulated ones, or the others. What was
    voided or superseded does not count."""
    if not path.is_file():
        return []
    with opened(path) as connection:
        rows = connection.execute(
            "SELECT run FROM runs WHERE model = ? AND disposition = 'release' AND (role = 'simulated') = ? "
            "AND run NOT IN (SELECT run FROM amended WHERE standing IN ('voided', 'superseded')) ORDER BY began",
            (model, simulated),
        )
        return [run for (run,) in rows]


def how_they_ended(path: Path) -> dict[str, StoredRun]:
    """How each stored run ended; empty without a store."""
    if not path.is_file():
        return {}
    with opened(path) as connection:
        rows = connection.execute("SELECT run, role, model, serial, ended, disposition, reason FROM runs")
        return {run: StoredRun(*row) for run, *row in rows}


def models(path: Path) -> list[str]:
    if not path.is_file():
        return []
    with opened(path) as connection:
        return [row[0] for row in connection.execute("SELECT DISTINCT model FROM runs ORDER BY model")]
