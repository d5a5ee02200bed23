"""The store is a copy: it can be lost, rebuilt and asked; the sealed records are the truth."""

from __future__ import annotations

import json
import re
import sqlite3
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "commands"))
from bench import SUITE, Bench

from verifier.errors import InputError
from verifier.store.records import models, run_counts, tallies, usual_seconds
from verifier.store.station import Station, default_folder


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = Bench(tmp_path_factory.mktemp("bench"))
    assert bench.run("--answers", "answers.toml").returncode == 0
    bench.write("suite.toml", SUITE.replace('interface = "eth0"', 'interface = "eth1"'))
    assert bench.run("--answers", "answers.toml").returncode == 1
    return bench


def test_first_time_results_count_and_recordings_only_when_asked_for(bench: Bench) -> None:
    path = bench.station / "store.db"
    assert tallies(path, "marrowby-quayside") == []
    found = {t.check: (t.judged, t.passed, t.failed) for t in tallies(path, "marrowby-quayside", simulated=True)}
    assert found["screws"] == (2, 2, 0)
    assert found["lamp"] == (1, 1, 0), "what was not run is not judged"
    assert sum(found["lan-speed"]) > 0


def test_a_lost_store_is_rebuilt_from_the_records(bench: Bench) -> None:
    path = bench.station / "store.db"
    before = tallies(path, "marrowby-quayside", simulated=True)
    for file in bench.station.glob("store.db*"):
        file.unlink()
    done = bench.command("store", "rebuild")
    assert "2 of 2 records" in done.stdout
    assert tallies(path, "marrowby-quayside", simulated=True) == before


def test_a_damaged_store_is_told_in_words_and_costs_no_report(bench: Bench) -> None:
    path = bench.station / "store.db"
    kept = path.read_bytes()
    for file in bench.station.glob("store.db-*"):
        file.unlink()
    path.write_bytes(b"no database at all " * 100)
    with pytest.raises(InputError, match="store rebuild"):
        models(path)
    bench.write("suite.toml", SUITE)
    done = bench.run("--answers", "answers.toml")
    assert done.returncode == 0
    assert "verifier store rebuild" in done.stderr
    path.write_bytes(kept)


def test_expected_times_come_from_earlier_runs(bench: Bench) -> None:
    bench.command("store", "rebuild")
    path = bench.station / "store.db"
    assert usual_seconds(path, "marrowby-quayside") == {}, "a recording says nothing of how long a unit takes"
    with sqlite3.connect(path) as store:
        store.execute("UPDATE runs SET role = 'station'")
    store.close()
    assert 0 < usual_seconds(path, "marrowby-quayside")["lan-speed"] < 20
    bench.command("store", "rebuild")
    assert usual_seconds(bench.folder / "nothing.db", "marrowby-quayside") == {}


def test_trends_as_typed(bench: Bench) -> None:
    done = bench.command("trends", "--simulated", "--json")
    row = next(r for r in json.loads(done.stdout) if r["check"] == "screws")
    assert row["failed"] == 0
    assert row["failed_interval_95"][0] == 0
    assert (row["undecided"], row["bench_errors"]) == (0, 0)
    assert bench.command("trends", "--model", "unheard-of").returncode == 2


def test_trends_tell_the_unit_from_the_bench(bench: Bench) -> None:
    path = bench.station / "store.db"
    bench.command("store", "rebuild")
    with sqlite3.connect(path) as store:
        store.execute("UPDATE findings SET verdict = 'bench-error' WHERE check_id = 'screws'")
        store.execute("UPDATE findings SET verdict = 'inconclusive' WHERE check_id = 'lamp' AND verdict = 'pass'")
    store.close()
    done = bench.command("trends", "--simulated")
    assert done.returncode == 0, done.stderr
    said = done.stdout
    runs = sum(run_counts(path, "marrowby-quayside", simulated=True).values())
    assert f"marrowby-quayside, {runs} runs: " in said
    assert re.search(rf"screws +never judged +bench errors: {runs}\n", said), said
    assert re.search(r"lamp +0 of \d .*undecided: \d", said), said
    assert "put into them on purpose" in said
    bench.command("store", "rebuild")


def test_the_station_folder_follows_the_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("VERIFIER_STATION", str(tmp_path / "a"))
    assert default_folder() == tmp_path / "a"
    monkeypatch.delenv("VERIFIER_STATION")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "b"))
    assert default_folder() == tmp_path / "b" / "verifier"
    # XDG Base Directory Specification: "If an implementation encounters a relative path [...] it should
    # consider the path invalid and ignore it" (from memory).
    monkeypatch.setenv("XDG_STATE_HOME", "relative")
    assert default_folder() == Path.home() / ".local" / "state" / "verifier"


def test_a_station_is_named_and_renamed(bench: Bench) -> None:
    assert bench.command("station", "init", "--name", "bench-2").returncode == 0
    assert Station.at(bench.station).name == "bench-2"
    shown = json.loads(bench.command("station", "show", "--json").stdout)
    assert shown["name"] == "bench-2"
    assert sorted(r for roles in shown["keys"].values() for r in roles) == ["simulated", "station"]
    assert bench.command("station", "init", "--name", "a/b").returncode == 2
    (bench.station / "station.toml").write_text("nome = 'x'")
    refused = bench.command("station", "show")
    assert refused.returncode == 2
    assert "station.toml" in refused.stderr
