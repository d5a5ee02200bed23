"""The command itself, its workers and a recorded unit, injured by strace: slower, and nearer to life."""

from __future__ import annotations

import re
from pathlib import Path

from bench import Bench

from verifier.gather.journal import read

WORDS = ("--answers", "answers.toml", "--serial", "QS-2004174")


def flushes_and_writes(bench: Bench) -> list[tuple[str, int, str]]:
    """Every flush, and every write to the journal, of a whole run: call, the how manieth of its kind, and file."""
    trace = bench.folder / "trace"
    calls = ("fsync", "fdatasync", "write")
    done = bench.run(*WORDS, before=("strace", "-y", "-o", str(trace), "-e", f"trace={','.join(calls)}", "--"))
    assert done.returncode == 0, done.stderr
    counts = dict.fromkeys(calls, 0)
    found = []
    for line in trace.read_text("utf-8", "replace").splitlines():
        if (call := re.match(r"(\w+)\((\d+)<([^>]*)>", line)) is None:
            continue
        name, where = call[1], call[3]
        counts[name] += 1
        if name != "write" or where.endswith("/journal"):
            found.append((name, counts[name], where))
    assert counts["fdatasync"] > 20
    return found


def test_the_command_killed_at_any_flush_or_journal_write(tmp_path: Path, long_form: bool) -> None:
    """strace injects the SIGKILL."""
    (tmp_path / "whole").mkdir()
    every = flushes_and_writes(Bench(tmp_path / "whole"))
    chosen = every if long_form else [every[round(n * (len(every) - 1) / 3)] for n in range(4)]
    for call, number, _ in chosen:
        point = f"{call}-{number}"
        (tmp_path / point).mkdir()
        bench = Bench(tmp_path / point)
        inject = f"inject={call}:signal=KILL:when={number}"
        before = ("strace", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", inject, "--")
        killed = bench.run(*WORDS, before=before)
        assert killed.returncode != 0, point
        journals = list(bench.station.glob("runs/*/journal"))
        kept = read(journals[0]).events if journals else ()
        again = bench.command("resume", "--answers", "answers.toml")
        assert "Traceback" not in again.stderr
        if not kept:
            assert again.returncode == 2, "nothing was journalled: resume says so"
            continue
        if list(journals[0].parent.glob("report*.html")) and again.returncode == 2:
            assert "no run to go on with" in again.stderr
        else:
            assert again.returncode == 0, f"kill point {point}: {again.stderr}"
        after = read(journals[0]).events
        assert after[: len(kept)] == kept, f"kill point {point} lost something"
        finished = {e.data["check"] for e in kept if e.kind == "finding"}
        began_again = {e.data["check"] for e in after[len(kept) :] if e.kind == "check-began"}
        assert not finished & began_again, "a finished check was taken again"
        assert bench.command("audit", str(journals[0].parent)).returncode == 0
        checks = bench.record()["checks"]
        assert {a["finding"]["verdict"] for c in checks for a in c["attempts"] if not a["set_aside"]} == {"pass"}
    print(f"the command was killed at {len(chosen)} of {len(every)} points")


def test_the_command_stops_at_a_failed_flush_and_tries_it_never_again(tmp_path: Path, long_form: bool) -> None:
    """The kernel reports success the second time although the data is gone (fsync(2), "Notes"; from memory)."""
    (tmp_path / "whole").mkdir()
    # The store's flushes are not among them: the store never costs a report.
    flushed = [
        (n, where) for call, n, where in flushes_and_writes(Bench(tmp_path / "whole")) if call == "fdatasync"
    ]
    every = [number for number, where in flushed if where.endswith("/journal")]
    chosen = every if long_form else every[len(every) // 2 :: len(every)]
    for number in chosen:
        (tmp_path / f"{number}").mkdir()
        bench = Bench(tmp_path / f"{number}")
        trace = bench.folder / "trace"
        inject = f"inject=fdatasync:error=EIO:when={number}"
        calls = "trace=fdatasync,write"
        before = ("strace", "-qq", "-y", "-o", str(trace), "-e", calls, "-e", inject, "--")
        stopped = bench.run(*WORDS, before=before)
        assert stopped.returncode == 2
        assert "Input/output error" in stopped.stderr and "verifier resume" in stopped.stderr
        assert "Traceback" not in stopped.stderr
        _, _, later = trace.read_text("utf-8", "replace").partition("(INJECTED)")
        assert later and "/journal>" not in later
        again = bench.command("resume", "--answers", "answers.toml")
        assert again.returncode == 0, again.stderr
        assert bench.command("audit", str(bench.only_run())).returncode == 0
    print(f"the command met {len(chosen)} of {len(every)} failed flushes of its journal")
