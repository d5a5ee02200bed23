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
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from click.testing import CliRunner, Result

from verifier.commands.main import cli
from verifier.errors import InputError, NotPossible
from verifier.gather.peer.key_files import own_key
from verifier.gather.peer.pairings import PairedWith, keep, paired
from verifier.gather.peer.stations import Stations

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


OLD = json.dumps({"address": "192.0.2.1", "port": 7411, "id": "00" * 8, "key": "11" * 16})
"""A key of another length than those of today."""


def verifier(*words: str) -> Result:
    return CliRunner().invoke(cli, words)


@contextmanager
def far_end(*words: str) -> Iterator[tuple[subprocess.Popen[str], str, str]]:
    with socket.create_server(("127.0.0.1", 0)) as free:
        place = f"127.0.0.1:{free.getsockname()[1]}"
    command = [sys.executable, "-u", "-m", "verifier", "peer", "--listen", place, *words]
    with (
        TemporaryDirectory() as folder,
        subprocess.Popen(
            [*command, "--station", folder], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        ) as process,
    ):
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
        assert "The time is over." in out.splitlines()[-1]


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
    peers = tmp_path / "peers"
    known = PairedWith(name="bench", address="192.0.2.1", port=7411, key="00" * 32, own=own_key(peers))
    path = keep(peers, known)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600 and stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert paired(peers, "bench") == known and known.own.hex() not in repr(known)
    keep(peers, replace(known, address="2001:db8::1", port=9, key="11" * 32))
    assert paired(peers, "bench").key == "11" * 32
    shown = verifier("peer", "show", "--station", str(tmp_path))
    assert shown.output == "bench  [2001:db8::1]:9\n"
    told = verifier("peer", "show", "--json", "--station", str(tmp_path)).output
    assert json.loads(told) == [{"name": "bench", "address": "2001:db8::1", "port": 9}]  # and never a key
    assert verifier("peer", "forget", "bench", "--station", str(tmp_path)).output == "Forgot bench.\n"
    with pytest.raises(NotPossible, match="not paired"):
        paired(peers, "bench")


def test_the_stations_that_a_far_end_knows_are_shown_and_revoked(tmp_path: Path) -> None:
    at = ["--station", str(tmp_path)]
    assert verifier("peer", "stations", *at).output.startswith("No station yet. ")
    known = Stations(tmp_path / "far-end")
    for key, name in (("0a" * 32, "bench-1"), ("0b" * 32, "bench-1"), ("0c" * 32, "bench-2")):
        known.keep(key, name)
    (tmp_path / "far-end" / f"{'0c' * 32}.json").write_text("{")
    shown = verifier("peer", "stations", *at).output.splitlines()
    assert shown[0].startswith("Known: 0a0a0a0a0a0a0a0a  bench-1, paired 20")
    assert shown[2] == "Known: 0c0c0c0c0c0c0c0c  cannot be used: it is damaged"
    told = json.loads(verifier("peer", "stations", "--json", *at).output)
    assert [one["key"][:2] for one in told] == ["0a", "0b", "0c"]
    assert verifier("peer", "revoke", "bench-1", *at).output.count("Revoked bench-1, key 0") == 2
    assert verifier("peer", "revoke", "0c" * 8, *at).output == "Revoked a station, key 0c0c0c0c0c0c0c0c.\n"
    assert known.all() == []
    assert "no station 'bench-1' is known" in str(verifier("peer", "revoke", "bench-1", *at).exception)


@pytest.mark.parametrize("text", ["", "{}", "[]", "\0", OLD, '{"address": 1, "port": "x", "key": "zz"}'])
def test_a_damaged_pairing_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "bench.json").write_text(text)
    (tmp_path / "bench.json").chmod(0o600)
    with pytest.raises(InputError, match=r"bench\.json"):
        paired(tmp_path, "bench")
