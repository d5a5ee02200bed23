"""The journal of a run: nothing in it is ever lost, and nothing in it can be altered unseen.

1. A line is a hash, a space and a JSON body; the hash is SHA-256 over the hash of the line before
   (64 zeros before the first) and the very bytes of this body.
2. The file is locked for the life of the run, so two processes never work on one run.
3. Every line is flushed to disk before the next step depends on it; the folder too, once.
4. A flush that failed is never tried again: the kernel would report success the second time
   although the pages are gone. The run stops.
5. Only the last line may be bad (torn by a crash, or zero bytes after a power cut). It is cut off,
   and that is journalled. A bad line earlier refuses the whole journal, by its number.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from verifier.errors import JournalError, RunBusy
from verifier.gather.clocks import SIMULATED_BOOT, clock_synchronised, rfc3339
from verifier.readings import Moment
from verifier.services import Clocks

FIRST = "0" * 64
MAX_LINE = 8 * 1024 * 1024
"""Bytes of one line at the most; the longest is the first, which carries the suite (1 MiB, escaped)."""
MAX_JOURNAL = 512 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Event:
    """One line of the journal, read back."""

    seq: int
    kind: str
    at: Moment
    pid: int
    data: Mapping[str, Any]
    synchronised: bool | None = None
    """Whether the kernel said that its clock was disciplined; None where it did not say."""


@dataclass(frozen=True, slots=True)
class Contents:
    """What a journal file holds: good events, the last hash, and how many bytes of them are good."""

    events: tuple[Event, ...]
    last_hash: str
    good_bytes: int
    bad_bytes: int


def line_hash(previous: str, body: bytes) -> str:
    return hashlib.sha256(previous.encode("ascii") + body).hexdigest()


def read(path: Path) -> Contents:
    """Read and check a journal. JournalError when a line other than the last is bad."""
    try:
        if path.stat().st_size > MAX_JOURNAL:
            raise JournalError("is larger than any journal", where=str(path))
        content = path.read_bytes()
    except OSError as error:
        raise JournalError(
            f"cannot be read: {error.strerror}", where=str(path), to_do="See `verifier runs` for the runs here."
        ) from error
    lines = content.split(b"\n")
    tail = lines.pop()  # what follows the last newline: nothing, unless a line was torn
    events: list[Event] = []
    previous, good = FIRST, 0
    for number, line in enumerate(lines, 1):
        try:
            event, previous = _parse(line, previous, number)
        except ValueError as reason:
            if number == len(lines) and not tail and not _holds_whole_line(line, previous):
                return Contents(tuple(events), previous, good, len(content) - good)
            raise JournalError(
                f"line {number} is damaged or was altered: {reason}",
                where=str(path),
                to_do="Do not use this run. Keep the file as it is and start the run anew.",
            ) from None
        events.append(event)
        good += len(line) + 1
    if _holds_whole_line(tail, previous):
        raise JournalError(
            f"line {len(lines) + 1} is damaged or was altered: its end is gone",
            where=str(path),
            to_do="Do not use this run. Keep the file as it is and start the run anew.",
        )
    return Contents(tuple(events), previous, good, len(tail))


def _holds_whole_line(torn: bytes, previous: str) -> bool:
    """Whether a bad last line begins with a whole good one. No crash writes more after a line without its end."""
    digest, body = torn[:64], torn[65:]
    text = body.decode("utf-8", "surrogateescape")
    try:
        _, end = json.JSONDecoder().raw_decode(text)
    except (ValueError, RecursionError):
        return False
    whole, rest = text[:end].encode("utf-8", "surrogateescape"), text[end:]
    return bool(rest.strip("\0")) and digest == line_hash(previous, whole).encode("ascii")


def _parse(line: bytes, previous: str, number: int) -> tuple[Event, str]:
    if len(line) > MAX_LINE:
        raise ValueError("it is longer than any line we write")
    digest, space, body = line[:64], line[64:65], line[65:]
    if space != b" " or digest != line_hash(previous, body).encode("ascii"):
        raise ValueError("its hash does not fit what it says")
    try:
        stored = json.loads(body)
    except (ValueError, RecursionError):
        raise ValueError("it is no event") from None
    match stored:
        case {
            "seq": int(seq),
            "kind": str(kind),
            "wall": str(wall),
            "boot": str(boot),
            "boot_id": str(boot_id),
            "synchronised": bool() | None as synchronised,
            "pid": int(pid),
            "data": dict(data),
        }:
            at = Moment(wall=wall, boot=boot, boot_id=boot_id)
            event = Event(seq=seq, kind=kind, at=at, pid=pid, data=data, synchronised=synchronised)
        case _:
            raise ValueError("it is no event")
    if event.seq != number:
        raise ValueError(f"it says that it is line {event.seq}")
    return event, digest.decode("ascii")


class Journal:
    """The journal of one run, open and locked for writing."""

    def __init__(self, path: Path, fd: int, clocks: Clocks, *, seq: int, last_hash: str) -> None:
        self.path, self.last_hash, self.lines = path, last_hash, seq
        self._fd, self.clocks = fd, clocks
        self._broken = ""
        """Why it could not be written, once that has happened."""

    @classmethod
    def create(cls, path: Path, clocks: Clocks) -> Journal:
        """A new journal; its folder is made and flushed too."""
        try:
            path.parent.mkdir(mode=0o700, parents=True)
            fd = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            for folder in (path.parent, path.parent.parent):
                _sync_folder(folder)
        except OSError as error:
            raise JournalError(
                f"cannot be written: {error.strerror}",
                where=str(path),
                to_do="Free some space, or name another station folder with --station DIR.",
            ) from error
        return cls(path, fd, clocks, seq=0, last_hash=FIRST)

    @classmethod
    def reopen(cls, path: Path, clocks: Clocks | Callable[[Contents], Clocks]) -> tuple[Journal, Contents]:
        """Lock a journal and read it; a torn last line is cut off and journalled.

        `clocks` may be chosen by what stands in it: simulated time goes on where it stood still.

        RunBusy when another process works on the run, JournalError when it cannot be believed.
        """
        try:
            fd = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CLOEXEC | os.O_NOFOLLOW)
        except OSError as error:
            raise JournalError(
                f"cannot be opened: {error.strerror}",
                where=str(path),
                to_do="See `verifier runs` for the runs here.",
            ) from error
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(fd)
            raise RunBusy(
                f"another process is working on this run{_owner(path)}",
                where=path.parent.name,
                to_do="Go on there, or end it and try again.",
            ) from error
        try:
            contents = read(path)
            if callable(clocks):
                clocks = clocks(contents)
            journal = cls(path, fd, clocks, seq=len(contents.events), last_hash=contents.last_hash)
            if contents.bad_bytes:
                os.ftruncate(fd, contents.good_bytes)
                if contents.events:
                    journal.append("torn-line-cut", {"bytes": contents.bad_bytes})
        except BaseException:
            os.close(fd)
            raise
        return journal, contents

    def append(self, kind: str, data: Mapping[str, Any]) -> Event:
        """Write one event and flush it to disk. JournalError when that fails; then the run must stop."""
        if self._broken:
            raise self._cannot()  # whichever of the overlapping checks is heard, the cause is told
        clocks = self.clocks
        at = Moment(wall=rfc3339(clocks.wall()), boot=f"{clocks.boot():.6f}", boot_id=clocks.boot_id())
        seq, pid = self.lines + 1, os.getpid()
        # What the kernel says of its own clock is nothing about a simulated one.
        synchronised = None if at.boot_id.startswith(SIMULATED_BOOT) else clock_synchronised()
        body = json.dumps(
            {
                "seq": seq,
                "kind": kind,
                "wall": at.wall,
                "boot": at.boot,
                "boot_id": at.boot_id,
                "synchronised": synchronised,
                "pid": pid,
                "data": data,
            },
            ensure_ascii=False,
            allow_nan=False,
            separators=(",", ":"),
        ).encode("utf-8", "backslashreplace")
        digest = line_hash(self.last_hash, body)
        line = b"%s %s\n" % (digest.encode("ascii"), body)
        try:
            if len(line) > MAX_LINE:
                raise OSError(errno.EFBIG, os.strerror(errno.EFBIG))
            written = 0
            while written < len(line):
                written += os.write(self._fd, line[written:])
            os.fdatasync(self._fd)
        except OSError as error:
            self._broken = error.strerror or str(error)
            raise self._cannot() from error
        self.last_hash, self.lines = digest, seq
        return Event(seq, kind, at, pid, data, synchronised)

    def _cannot(self) -> JournalError:
        return JournalError(
            f"cannot be written: {self._broken}. The run stops here; "
            f"all {self.lines} earlier lines are safe on disk",
            where=str(self.path),
            to_do="Mend the cause (often a full disk), then `verifier resume` goes on.",
        )

    def close(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class MemoryJournal(Journal):
    """Keeps nothing: for simulated runs that are made by the hundred, and of which only the outcome counts."""

    def __init__(self, clocks: Clocks) -> None:
        super().__init__(Path(os.devnull), -1, clocks, seq=0, last_hash=FIRST)

    def append(self, kind: str, data: Mapping[str, Any]) -> Event:
        self.lines += 1
        clocks = self.clocks
        at = Moment(wall=rfc3339(clocks.wall()), boot=f"{clocks.boot():.6f}", boot_id=clocks.boot_id())
        return Event(self.lines, kind, at, 0, data)


def _sync_folder(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _owner(path: Path) -> str:
    """Who holds the lock, as far as the journal itself tells: the process of its last event."""
    try:
        events = read(path).events
        pid = events[-1].pid
        command = Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace").strip()
    except (JournalError, OSError, IndexError):
        return ""
    return f": process {pid} ({command[:120]}), since its last entry at {events[-1].at.wall}"
