"""Where a command writes to, when that cannot be written to: told before the work, or without losing it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from bench import Bench

ORLOP = ("run", "marrowby-orlop", "--at", "simulated", "--seed", "7", "--scripted")


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.mark.parametrize("option", ["--out", "--junit"])
def test_a_copy_that_cannot_be_written_is_told_before_the_run(bench: Bench, option: str) -> None:
    done = bench.command(*ORLOP, option, "nowhere/copy")
    assert done.returncode == 2
    assert f"{option} nowhere/copy" in done.stderr and not (bench.station / "runs").exists()


def test_a_serial_number_that_cannot_be_one_of_the_model_opens_no_run(bench: Bench) -> None:
    done = bench.command(*ORLOP, "--serial", "QS-2004174")
    assert done.returncode == 2 and "OR-, then 5 digits" in done.stderr
    bench.write("order.toml", 'serial = "OR-1042"\n')
    done = bench.command(*ORLOP, "--repair", "order.toml")
    assert done.returncode == 2 and "order.toml: serial" in done.stderr
    assert not (bench.station / "runs").exists()


@pytest.mark.parametrize("stream", ["stdin", "stdout", "stderr"])
def test_a_run_does_without_a_stream_that_was_closed(bench: Bench, stream: str) -> None:
    number = ("stdin", "stdout", "stderr").index(stream)
    done = subprocess.run(
        ["bash", "-c", f'exec "$@" {number}>&-', "-", sys.executable, "-m", "verifier", *ORLOP],
        cwd=bench.folder,
        env={**os.environ, "VERIFIER_STATION": str(bench.station)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr and "fault of its own" not in done.stderr


def test_a_reader_that_has_gone_is_no_verdict(bench: Bench) -> None:
    """128 + SIGPIPE, as POSIX shells tell a command that a signal ended (XCU 2.8.2, from memory)."""
    done = subprocess.run(
        ["bash", "-c", '"$@" 2>&1 | true; exit ${PIPESTATUS[0]}', "-", sys.executable, "-m", "verifier", *ORLOP],
        cwd=bench.folder,
        env={**os.environ, "VERIFIER_STATION": str(bench.station)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (141, "")


def test_output_to_a_full_disk_is_told_in_words(bench: Bench) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "verifier", "runs"],
            env={**os.environ, "VERIFIER_STATION": str(bench.station)},
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2 and "no space is left" in done.stderr


def test_a_proof_never_overwrites_what_is_none(bench: Bench) -> None:
    bench.write("letter.json", '{"dear": "customer"}')
    done = bench.command("suite", "prove", "marrowby-orlop", "--runs", "1", "--out", "letter.json")
    assert done.returncode == 2 and "no table of a proof" in done.stderr
    assert (bench.folder / "letter.json").read_text() == '{"dear": "customer"}'


@pytest.mark.parametrize(
    "words", [["runs"], ["trends"], ["report", "--all"], ["station", "instruments"], ["peer", "show"]]
)
def test_a_station_of_another_account_is_told_in_words(bench: Bench, words: list[str]) -> None:
    bench.station.mkdir(parents=True)
    os.chown(bench.station, 65534, 65534)
    bench.station.chmod(0o700)
    done = subprocess.run(
        # Root without its right to pass by permissions, as an account is.
        ["setpriv", "--bounding-set=-dac_override,-dac_read_search", sys.executable, "-m", "verifier", *words],
        env={**os.environ, "VERIFIER_STATION": str(bench.station)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2, done.stderr
    assert "this station cannot be read" in done.stderr and "--station DIR" in done.stderr


def test_what_to_type_next_names_a_station_that_is_not_the_usual_one(bench: Bench, tmp_path: Path) -> None:
    other = tmp_path / "bench 2"
    said = bench.command(*ORLOP, "--station", str(other)).stdout
    assert f"--station '{other}'" in said.splitlines()[-1]
    paused = bench.command(*ORLOP, "--stage", "open").stdout
    assert "verifier resume" in paused and "--station" not in paused
