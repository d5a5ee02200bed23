"""`verifier peer` as a person meets it: the far end, pairing, and a run that uses it."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from verifier.commands.main import cli
from verifier.errors import InputError, NotPossible
from verifier.gather.peer.pairings import PairedWith, keep, paired

SUITE = """
schema = 1
model = "loopback"
title = "Clock over loopback"
revision = 1
[serial]
label = false
firmware = false
[[checks]]
id = "time"
title = "The clock agrees with the far end"
probe = "clock.peer"
settings = { peer = "bench" }
limits = [{ reading = "ahead", at_least = -5, at_most = 5, unit = "s", source = "judgement" }]
"""


def verifier(*words: str) -> Result:
    return CliRunner().invoke(cli, words)


@contextmanager
def far_end(*words: str) -> Iterator[tuple[subprocess.Popen[str], str, str]]:
    with socket.create_server(("127.0.0.1", 0)) as free:
        place = f"127.0.0.1:{free.getsockname()[1]}"
    command = [sys.executable, "-u", "-m", "verifier", "peer", "--listen", place, *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        assert process.stdout is not None
        try:
            said = ""
            for line in process.stdout:
                said += line
                if found := re.search(r"Pairing code: (\S+)", said):
                    break
            else:
                raise AssertionError(said)
            yield process, place, found[1]
        finally:
            process.kill()


def test_a_run_uses_the_far_end_that_its_station_is_paired_with(tmp_path: Path) -> None:
    suite = tmp_path / "suite.toml"
    suite.write_text(SUITE)
    station = str(tmp_path / "station")
    environment = {name: value for name, value in os.environ.items() if name != "VERIFIER_STATION"}
    run = [sys.executable, "-m", "verifier", "run", str(suite), "--station", station, "--json"]

    def verdict() -> str:
        result = subprocess.run(run, capture_output=True, text=True, env=environment, timeout=60)
        assert '"disposition"' in result.stdout, result.stdout + result.stderr
        return result.stdout

    before = verdict()
    assert "not-run" in before and "not paired" in before
    with far_end() as (_, place, code):
        result = verifier("peer", "pair", place, "--code", code, "--station", station)
        assert result.output == f"Paired with {place} as bench.\n"
        after = verdict()
    assert '"pass"' in after and "not-run" not in after


def test_ctrl_c_ends_it_with_a_word() -> None:
    with far_end() as (process, _, _):
        process.send_signal(signal.SIGINT)
        out, _ = process.communicate(timeout=10)
        assert out.endswith("Ended.\n") and process.returncode == 0


def test_its_time_is_bounded() -> None:
    assert verifier("peer", "--listen", "127.0.0.1", "--hours", "25").exit_code == 2
    with far_end("--hours", "0.0001") as (process, _, _):
        out, _ = process.communicate(timeout=10)
        assert out.endswith("The time is over.\n")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--listen", "0.0.0.0"], "not one address"),
        (["--listen", "[::]:7411"], "not one address"),
        (["--listen", "224.0.0.1"], "not one address"),
        (["--listen", "bench.example"], "is no address"),
        (["--listen", "127.0.0.1:port"], "no port that exists"),
        (["--listen", "127.0.0.1:70000"], "no port that exists"),
        (["--listen", "192.0.2.200:7411"], "cannot listen"),
        (["pair", "127.0.0.1:1", "--code", "aaaa-bbbb-cccc-dddd"], "no far end answers"),
        (["pair", "127.0.0.1:1", "--code", "guess"], "four groups"),
        (["pair", "127.0.0.1", "--name", "../x"], "is no name of a far end"),
        (["forget", "../x"], "there is no far end"),
    ],
)
def test_what_cannot_be_meant(tmp_path: Path, words: list[str], told: str) -> None:
    station = [] if words[0] == "--listen" else ["--station", str(tmp_path)]
    error = verifier("peer", *words, *station).exception
    assert isinstance(error, InputError) and told in str(error)


@pytest.mark.parametrize("words", [[], ["--listen", "127.0.0.1", "show"], ["--serial", "/dev/x"]])
def test_words_that_do_not_go_together(words: list[str]) -> None:
    assert verifier("peer", *words).exit_code == 2


def test_pairings_are_shown_replaced_and_forgotten(tmp_path: Path) -> None:
    known = PairedWith(name="bench", address="192.0.2.1", port=7411, id="00" * 8, key=bytes(32))
    path = keep(tmp_path / "peers", known)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600 and stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    keep(tmp_path / "peers", PairedWith(name="bench", address="2001:db8::1", port=9, id="11" * 8, key=b"k" * 32))
    assert paired(tmp_path / "peers", "bench").key == b"k" * 32
    shown = verifier("peer", "show", "--station", str(tmp_path))
    assert shown.output == "bench  [2001:db8::1]:9\n"
    told = verifier("peer", "show", "--json", "--station", str(tmp_path)).output
    assert json.loads(told) == [{"name": "bench", "address": "2001:db8::1", "port": 9}]  # and never a key
    assert verifier("peer", "forget", "bench", "--station", str(tmp_path)).output == "Forgot bench.\n"
    with pytest.raises(NotPossible, match="not paired"):
        paired(tmp_path / "peers", "bench")


@pytest.mark.parametrize("text", ["", "{}", "[]", "\0", '{"address": 1, "port": "x", "id": "", "key": "zz"}'])
def test_a_damaged_pairing_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "bench.json").write_text(text)
    with pytest.raises(InputError, match=r"bench\.json"):
        paired(tmp_path, "bench")
