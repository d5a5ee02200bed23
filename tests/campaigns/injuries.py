"""Injures runs on the simulated unit, takes them up again, and looks at what is left.

    python injuries.py KIND OUT POINTS     POINTS is how many are tried, spread evenly; 0 for all of them

Prints a JSON line for each point. KIND is one of

    kill        SIGKILL at the Nth operation on files; with all points, each once more with its resume killed too
    flush       the Nth fsync or fdatasync fails (EIO)
    write       the Nth write is cut short and fails (ENOSPC)
    disk-full   the station stands on a tmpfs of N x 4 KiB, which is made larger afterwards
    power-cut   the station stands on an ext4 image; a copy of it, taken just before the Nth operation on files, is
                mounted: it holds what had been flushed, and nothing else
"""

from __future__ import annotations

import errno
import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from remains import Left, problems
from whole_runs import (
    STOPPED,
    WHOLE,
    die_at,
    fail_at,
    in_child,
    operations,
    prepare,
    resume,
    run,
    spoilt_by,
)

PAGES = 40
"""A run and its report need less than so many pages of 4 KiB."""
IMAGE_MB = 16


def spread(total: int, wanted: int) -> list[int]:
    """`wanted` numbers from 1 to `total`; all of them for 0."""
    if wanted == 0 or wanted >= total:
        return list(range(1, total + 1))
    return [1 + round(n * (total - 1) / (wanted - 1)) for n in range(wanted)]


def tell(what: object, wrong: list[str], **more: object) -> None:
    print(json.dumps({"what": what, "wrong": wrong, **more}), flush=True)


def kill(out: Path, wanted: int) -> None:
    there = operations(out / "whole")
    chance = random.Random(20261125)
    for point in spread(len(there), wanted):
        _killed(out / f"{point}", there[point - 1], [point])
        if wanted == 0:
            _killed(out / f"{point}-again", there[point - 1], [point, chance.randint(1, len(there))])


def _killed(folder: Path, what: str, points: list[int]) -> None:
    prepare(folder)
    lefts = []
    for number, point in enumerate(points):
        child = in_child(resume if number else run, folder, die_at(point))
        if not child.killed and number == 0:
            tell(what, [f"it was not killed: {child.words}"])
        if not child.killed:
            return  # the resume was done before it came to that point
        lefts.append(Left.at(folder))
    tell(what, problems(folder, lefts, in_child(resume, folder)), kills=len(points))
    shutil.rmtree(folder)


def flush(out: Path, wanted: int) -> None:
    _failing(out, wanted, errno.EIO, ("fsync", "fdatasync"))


def write(out: Path, wanted: int) -> None:
    _failing(out, wanted, errno.ENOSPC, ("write",))


def _failing(out: Path, wanted: int, error: int, names: tuple[str, ...]) -> None:
    there = [what for what in operations(out / "whole") if what.split()[0] in names]
    for point in spread(len(there), wanted):
        folder = out / f"{point}"
        prepare(folder)
        child = in_child(run, folder, fail_at(point, error, names))
        left = Left.at(folder)
        wrong = [] if child.code == STOPPED else [f"it did not stop in words: {child.code}"]
        if "AGAIN" in child.words or os.strerror(error) not in child.words:
            wrong.append("it went on with that file, or did not say why it stopped")
        if wrong:
            wrong.append(child.words)
        tell(there[point - 1], [*wrong, *problems(folder, [left], in_child(resume, folder))])
        shutil.rmtree(folder)


@contextmanager
def mounted(place: Path, *words: str) -> Iterator[None]:
    place.mkdir(exist_ok=True)
    subprocess.run(["mount", *words, str(place)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


def disk_full(out: Path, wanted: int) -> None:
    for pages in spread(PAGES, wanted):
        folder = out / f"{pages}"
        prepare(folder)
        station = folder / "station"
        with mounted(station, "-t", "tmpfs", "-o", f"size={4 * pages}k", "none"):
            child = in_child(run, folder)
            left = Left.at(folder)
            wrong = [] if child.code in (WHOLE, STOPPED) else [f"it did not stop in words: {child.words}"]
            subprocess.run(["mount", "-o", "remount,size=16m", str(station)], check=True)
            wrong += problems(folder, [left], in_child(resume, folder))
        tell(f"{4 * pages} KiB", wrong, whole=child.code == WHOLE)


def power_cut(out: Path, wanted: int) -> None:
    there = operations(out / "whole")
    points = set(spread(len(there), wanted))
    folder, image = out / "cut", out / "image"
    prepare(folder)
    image.touch()
    os.truncate(image, IMAGE_MB << 20)
    subprocess.run(
        ["mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0,nodiscard", str(image)], check=True
    )
    acknowledged = 0

    def at(done: int, name: str, args: tuple[Any, ...], real: Callable[..., Any]) -> None:
        nonlocal acknowledged
        if done in points:
            subprocess.run(
                ["cp", "--sparse=always", str(image), str(out / f"image-{done}-{acknowledged}")], check=True
            )
        acknowledged += name == "fdatasync"  # what is done after this flush comes after it has returned

    with mounted(folder / "station", "-o", "loop", str(image)):
        child = in_child(run, folder, spoilt_by(at))
    assert child.code == WHOLE, child.words
    for copy in sorted(out.glob("image-*-*"), key=lambda path: int(path.name.split("-")[1])):
        point, known = (int(word) for word in copy.name.split("-")[1:])
        after = out / f"after-{point}"
        prepare(after)
        with mounted(after / "station", "-o", "loop", str(copy)):
            left = Left.at(after)
            wrong = (
                [] if len(left.events) >= known else [f"{known} events were flushed, {len(left.events)} are there"]
            )
            wrong += problems(after, [left], in_child(resume, after))
        tell(there[point - 1], wrong, flushed=known)
        copy.unlink()


KINDS = {"kill": kill, "flush": flush, "write": write, "disk-full": disk_full, "power-cut": power_cut}

if __name__ == "__main__":
    KINDS[sys.argv[1]](Path(sys.argv[2]), int(sys.argv[3]))
