"""The journal: what is in it stays, and what was altered is seen."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.errors import JournalError, RunBusy
from verifier.gather.clocks import RealClocks
from verifier.gather.journal import Journal, read


def made(path: Path, count: int = 5) -> bytes:
    with Journal.create(path, RealClocks()) as journal:
        for number in range(count):
            journal.append("thing", {"number": number, "text": "naïve ✓"})
    return path.read_bytes()


def test_what_was_appended_is_read_back_in_order(tmp_path: Path) -> None:
    made(tmp_path / "run" / "journal")
    events = read(tmp_path / "run" / "journal").events
    assert [e.data["number"] for e in events] == [0, 1, 2, 3, 4]
    assert [e.seq for e in events] == [1, 2, 3, 4, 5]
    assert all(e.pid == os.getpid() for e in events)


def test_every_line_is_on_disk_before_append_returns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    flushed: list[int] = []
    real = os.fdatasync
    monkeypatch.setattr(os, "fdatasync", lambda fd: (real(fd), flushed.append(os.fstat(fd).st_size)))
    with Journal.create(tmp_path / "run" / "journal", RealClocks()) as journal:
        journal.append("a", {})
        journal.append("b", {})
    sizes = [len(line) + 1 for line in (tmp_path / "run" / "journal").read_bytes().splitlines()]
    assert flushed == [sizes[0], sum(sizes)]


@pytest.mark.parametrize("cut", [1, 2, 40, 100])
def test_a_torn_last_line_is_cut_off_and_that_is_journalled(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "run" / "journal"
    content = made(path)
    path.write_bytes(content[:-cut])
    journal, contents = Journal.reopen(path, RealClocks())
    journal.append("after", {})
    journal.close()
    kinds = [e.kind for e in read(path).events]
    assert kinds == ["thing"] * 4 + ["torn-line-cut", "after"]
    assert len(contents.events) == 4


@pytest.mark.parametrize("tail", [b"\0" * 300, b"\0" * 299 + b"\n"], ids=["zeros", "zeros with an end"])
def test_zero_bytes_after_a_power_cut_are_cut_off(tmp_path: Path, tail: bytes) -> None:
    path = tmp_path / "run" / "journal"
    path.write_bytes(made(path) + tail)
    journal, contents = Journal.reopen(path, RealClocks())
    journal.close()
    assert len(contents.events) == 5
    assert read(path).events[-1].data == {"bytes": 300}


def test_an_altered_line_in_the_middle_is_refused_by_its_number(tmp_path: Path) -> None:
    path = tmp_path / "run" / "journal"
    content = made(path)
    path.write_bytes(content.replace(b'"number":2', b'"number":7'))
    with pytest.raises(JournalError, match="line 3 is damaged or was altered"):
        read(path)
    with pytest.raises(JournalError, match="line 3"):
        Journal.reopen(path, RealClocks())


def test_a_line_taken_out_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "run" / "journal"
    lines = made(path).splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:1] + lines[2:]))
    with pytest.raises(JournalError, match="line 2"):
        read(path)


@settings(max_examples=200)
@given(data=st.data())
def test_no_single_bit_can_change_unseen_before_the_last_line(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("bits") / "run" / "journal"
    content = bytearray(made(path, 3))
    last = content.rindex(b"\n", 0, -1) + 1
    bit = data.draw(st.integers(0, last * 8 - 1))
    content[bit // 8] ^= 1 << (bit % 8)
    path.write_bytes(bytes(content))
    with pytest.raises(JournalError):
        read(path)


@settings(max_examples=200)
@given(content=st.binary(max_size=400))
def test_any_bytes_give_events_or_a_plain_error(content: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("any") / "journal"
    path.write_bytes(content)
    try:
        assert read(path).events == ()
    except JournalError as error:
        assert "line" in str(error)


def test_a_second_process_is_refused_and_told_who_works_on_the_run(tmp_path: Path) -> None:
    path = tmp_path / "run" / "journal"
    with Journal.create(path, RealClocks()) as journal:
        journal.append("begin", {})
        code = (
            "import sys; from pathlib import Path; from verifier.gather.clocks import RealClocks\n"
            "from verifier.gather.journal import Journal; Journal.reopen(Path(sys.argv[1]), RealClocks())"
        )
        other = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True)
    assert "RunBusy" in other.stderr
    assert f"process {os.getpid()}" in other.stderr


def test_the_lock_goes_with_the_process(tmp_path: Path) -> None:
    path = tmp_path / "run" / "journal"
    made(path)
    journal, _ = Journal.reopen(path, RealClocks())
    with pytest.raises(RunBusy):
        Journal.reopen(path, RealClocks())
    journal.close()
    Journal.reopen(path, RealClocks())[0].close()


def test_a_failed_flush_stops_the_run_and_is_never_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tries: list[int] = []

    def fails(fd: int) -> None:
        tries.append(fd)
        raise OSError(5, "Input/output error")

    with Journal.create(tmp_path / "run" / "journal", RealClocks()) as journal:
        journal.append("a", {})
        monkeypatch.setattr(os, "fdatasync", fails)
        with pytest.raises(JournalError, match="all 1 earlier lines are safe"):
            journal.append("b", {})
        with pytest.raises(JournalError, match="Input/output error"):
            journal.append("c", {})  # the cause is told again: this may be the error that a person sees
    assert len(tries) == 1


def test_a_full_disk_stops_the_run_and_loses_nothing_before(tmp_path: Path) -> None:
    mount = tmp_path / "small"
    mount.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(mount)], check=True)
    try:
        with Journal.create(mount / "run" / "journal", RealClocks()) as journal:
            count = 0
            with pytest.raises(JournalError, match="No space left"):
                while True:
                    journal.append("fill", {"text": "x" * 1000})
                    count += 1
        contents = read(mount / "run" / "journal")
        assert len(contents.events) == count > 10
    finally:
        subprocess.run(["umount", str(mount)], check=True)


def test_the_body_says_when_by_three_clocks(tmp_path: Path) -> None:
    path = tmp_path / "run" / "journal"
    body = json.loads(made(path, 1)[65:])
    assert set(body) == {"seq", "kind", "wall", "boot", "boot_id", "synchronised", "pid", "data"}
    assert isinstance(body["boot"], str), (
        "boot time stands as text: as a number it would lose digits in some readers"
    )
