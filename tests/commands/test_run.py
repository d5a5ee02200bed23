"""`run` and `resume` as a technician types them, on a recorded unit; exit codes, files, and kills."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from bench import SERVER, SUITE, Bench

from verifier.gather.journal import read


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def checks(bench: Bench) -> dict[str, str | None]:
    return {
        check["id"]: next(
            (a["finding"]["verdict"] for a in reversed(check["attempts"]) if not a["set_aside"]), None
        )
        for check in bench.record()["checks"]
    }


def test_a_whole_run_is_released_and_sealed(bench: Bench) -> None:
    done = bench.run("--answers", "answers.toml", "--serial", "QS-2004174", "--replaced", "io-board")
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().startswith("Released")
    assert set(checks(bench).values()) == {"pass"}
    record = bench.record()
    assert record["unit"]["serial"] == "QS-2004174"
    assert record["role"] == "simulated", "a recording is no evidence about a unit"
    assert {j["joint"]: j["coverage"] for j in record["outcome"]["joints"]} == {
        "lan": "measured",
        "usb-1": "measured",
        "io-screws": "measured",
    }
    assert not re.search(r"(?<![\w-])T07(?![\w-])", json.dumps(record)), (
        "people stand in the record as digests only"
    )
    # A recording is no unit on the bench, and the names of the files say so.
    report, sealed = bench.only_run() / "report.simulated.html", bench.only_run() / "sealed.simulated.json"
    assert bench.command("audit", str(report), str(sealed)).returncode == 0
    (bench.folder / "altered.html").write_bytes(report.read_bytes().replace(b"QS-2004174", b"QS-2004182"))
    audit = bench.command("audit", "altered.html")
    assert audit.returncode == 1
    assert "altered" in audit.stdout


def test_a_fail_is_not_released_and_says_where(bench: Bench) -> None:
    bench.write("suite.toml", SUITE.replace('interface = "eth0"', 'interface = "eth1"'))
    done = bench.run("--answers", "answers.toml")
    assert done.returncode == 1
    assert "Port 5 at full speed" in done.stdout
    assert checks(bench)["lamp"] == "not-run"


def test_without_terminal_and_answers_a_required_prompt_holds_the_unit(bench: Bench) -> None:
    done = bench.run()
    assert done.returncode == 1
    assert bench.record()["outcome"]["disposition"] == "hold"
    assert "no terminal and no prepared answer" in done.stderr


def test_json_is_json_and_nothing_else_on_standard_output(bench: Bench) -> None:
    done = bench.run("--answers", "answers.toml", "--json")
    told = json.loads(done.stdout)
    assert told["disposition"] == "release"
    assert (
        told["checks"]["lan-speed"] == {"verdict": "pass", "reason": ""}
        or told["checks"]["lan-speed"]["verdict"] == "pass"
    )
    assert Path(told["report"]).is_file()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("run", "no-such-suite"), "no-such-suite"),
        (("run", "suite.toml", "--at", "moon"), "local"),
        (("run", "suite.toml", "--at", "recorded:nowhere"), "nowhere"),
        (("run", "suite.toml", "--replaced", "io-bord"), "io-board"),
        (("run", "suite.toml", "--answers", "missing.toml"), "missing.toml"),
        (("run", "suite.toml", "--stage", "later"), "arrival"),
        (("resume",), "no run to go on with"),
        (("resume", "20261125T101512Z-k3v9qd"), "no run 20261125T101512Z-k3v9qd"),
        (("resume", "../../etc"), "no run"),
        (("resume", "--again", "lamp"), '--why "..."'),
        (("report", "nothing"), "no sealed run"),
        (("audit", "nothing"), "nothing"),
        (("frobnicate",), "frobnicate"),
    ],
)
def test_bad_input_is_exit_2_with_words_and_no_traceback(bench: Bench, words: tuple[str, ...], said: str) -> None:
    done = bench.command(*words)
    assert done.returncode == 2
    assert said in done.stderr + done.stdout
    assert "Traceback" not in done.stderr + done.stdout
    assert not (bench.station / "runs").exists() or not list((bench.station / "runs").iterdir())


def test_a_stage_at_a_time_with_hours_in_between(bench: Bench) -> None:
    first = bench.run("--answers", "answers.toml", "--stage", "open")
    assert first.returncode == 3
    assert "verifier resume" in first.stdout
    assert "1 of 5 checks done" in bench.command("runs").stdout
    second = bench.command("resume", "--answers", "answers.toml", "--stage", "closed")
    assert second.returncode == 3
    third = bench.command("resume", "--answers", "answers.toml")
    assert third.returncode == 0, third.stderr
    assert [i["kind"] for i in bench.record()["interruptions"]] == ["pause", "pause"]
    assert len(read(bench.only_run() / "journal").events) == bench.record()["journal"]["lines"] + 1


def test_an_open_prompt_answered_late_covers_nothing(bench: Bench) -> None:
    bench.run("--answers", "answers.toml", "--stage", "closed", "--replaced", "io-board")
    done = bench.command("resume", "--answers", "answers.toml")
    assert done.returncode == 1
    joints = {j["joint"]: j["coverage"] for j in bench.record()["outcome"]["joints"]}
    assert joints["io-screws"] == "not-covered"
    assert "Screws of the connector board" in done.stdout


def test_acts_on_an_open_run(bench: Bench) -> None:
    bench.write("answers.toml", "[screws]\nvalue = 5\nby = 'T07'\n[lamp]\nvalue = 'lit'\nby = 'T07'\n")
    bench.run("--answers", "answers.toml", "--stage", "open", "--replaced", "io-board")
    nameless = bench.command("resume", "--correct", "screws=6", "--why", "miscounted", "--stage", "open")
    assert nameless.returncode == 3, nameless.stderr  # the first answer said who the technician is
    bench.write("rest.toml", "[lamp]\nvalue = 'lit'\n[label-on]\nvalue = true\n")
    done = bench.command("resume", "--answers", "rest.toml", "--technician", "T07")
    assert done.returncode == 0, done.stderr
    screws = next(c for c in bench.record()["checks"] if c["id"] == "screws")
    assert [a["set_aside"] for a in screws["attempts"]] == ["corrected: miscounted", ""]
    assert [a["answers"][0]["value"] for a in screws["attempts"]] == [5, 6]
    sealed_already = bench.command("resume", bench.only_run().name, "--again", "lamp", "--why", "x")
    assert sealed_already.returncode == 2
    assert "is sealed" in sealed_already.stderr


def test_the_wrong_unit_stops_the_run(bench: Bench) -> None:
    bench.write("order.toml", 'ticket = "BF-26-01847"\nmodel = "marrowby-quayside"\nserial = "QS-2004174"\n')
    done = bench.run("--repair", "order.toml", "--serial", "QS-2004182")
    assert done.returncode == 2
    assert "QS-2004174" in done.stderr and "QS-2004182" in done.stderr
    assert not list(bench.only_run().glob("sealed*.json"))


def started(bench: Bench, suite: str) -> subprocess.Popen[str]:
    bench.write("suite.toml", suite)
    return subprocess.Popen(
        [
            sys.executable,
            "-m",
            "verifier",
            "run",
            "suite.toml",
            "--at",
            f"recorded:{SERVER}",
            "--answers",
            "answers.toml",
        ],
        cwd=bench.folder,
        env={**os.environ, "VERIFIER_STATION": str(bench.station)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


SLOW = SUITE.replace('covers = ["lan"]', 'covers = ["lan"]\nrepeat = { times = 1000 }')
"""A thousand readings, each flushed to disk: long enough to be interrupted."""


def until_journalled(bench: Bench, words: bytes) -> None:
    for _ in range(1000):
        for journal in bench.station.glob("runs/*/journal"):
            if words in journal.read_bytes():
                return
        time.sleep(0.02)
    raise AssertionError(f"{words!r} was never journalled")


def test_ctrl_c_pauses_and_says_how_to_go_on(bench: Bench) -> None:
    process = started(bench, SLOW)
    until_journalled(bench, b'"check":"lan-speed"')
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=20)
    assert process.returncode == 3
    assert re.search(r"verifier resume \d{8}T\d{6}Z-[a-z2-7]{6}", out)
    events = read(bench.only_run() / "journal").events
    assert events[-1].kind == "paused"
    busy = started(bench, SLOW)  # another run of the same station is no hindrance
    busy.kill()
    busy.communicate()


def test_a_second_resumer_is_refused_and_no_worker_outlives_a_killed_run(bench: Bench) -> None:
    process = started(bench, SLOW)
    until_journalled(bench, b'"check":"lan-speed"')
    workers = descendants(process.pid)
    assert workers
    second = bench.command("resume")
    assert second.returncode == 2
    assert f"process {process.pid}" in second.stderr
    process.kill()
    process.communicate()
    deadline = time.monotonic() + 10
    while any(alive(pid) for pid in workers):
        assert time.monotonic() < deadline, "a worker outlived its parent"
        time.sleep(0.05)


def descendants(pid: int) -> list[int]:
    parents: dict[int, int] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            parents[int(stat.parent.name)] = int(stat.read_text().rpartition(")")[2].split()[1])
    children = [child for child, parent in parents.items() if parent == pid]
    return [*children, *(d for child in children for d in descendants(child))]


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False
