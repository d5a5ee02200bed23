"""`run SUITE --at simulated` as a technician types it: no real unit, no real time, and marked as that."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from bench import Bench
from typist import Typist

from verifier.gather.journal import Event, read
from verifier.store.records import usual_seconds

SUITE = """
schema = 1
model = "marrowby-quayside"
title = "Quayside counter terminal, close of repair"
revision = 2
[serial]
label = false
pattern = "QS-[0-9]{7}"
check_digit = "luhn"

[[checks]]
id = "lamp"
title = "Lamp"
stage = "open"
prompt = "confirm"
say = "Is the lamp lit?"
limits = [{ reading = "confirm", is = true, source = "invented" }]

[[checks]]
id = "lan"
title = "Port 5 keeps its link for ten hours"
probe = "ethernet.link"
settings = { interface = "eth0", seconds = 36000.0 }
timeout = "11 h"
limits = [
  { reading = "carrier", is = true, source = "invented" },
  { reading = "carrier_changes_seen", equals = 0, unit = "1", source = "invented" },
]

[[checks]]
id = "heat"
title = "Processor temperature at rest"
after = ["lan"]
probe = "thermal.sensors"
repeat = { times = 5, pool = "mean" }
limits = [{ reading = "temperature", at_most = 60, unit = "Cel", source = "invented" }]
"""
ANSWERS = '[lamp]\nvalue = true\nby = "T07"\n'
UNIT = """
schema = 1
model = "marrowby-quayside"
title = "Quayside with a dead port"
[identity]
product_serial = "QS-2004182"
sys_vendor = "Marrowby"
[thermal]
power = 2.5
[[ethernet]]
interface = "eth0"
link = false
"""


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    bench = Bench(tmp_path)
    bench.write("suite.toml", SUITE)
    bench.write("answers.toml", ANSWERS)
    bench.write("dead.toml", UNIT)
    return bench


def run(bench: Bench, *words: str, at: str = "simulated") -> subprocess.CompletedProcess[str]:
    return bench.command("run", "suite.toml", "--at", at, "--answers", "answers.toml", *words)


def takes(record: dict[str, Any]) -> dict[str, Any]:
    return {c["id"]: [a["takes"] for a in c["attempts"]] for c in record["checks"]}


def events(bench: Bench) -> tuple[Event, ...]:
    return read(bench.only_run() / "journal").events


def test_a_run_of_ten_hours_is_released_at_once_and_marked_everywhere(bench: Bench) -> None:
    done = run(bench, "--seed", "7")
    assert done.returncode == 0, done.stderr
    assert "no real unit" in done.stderr and "--seed 7" in done.stderr
    record = bench.record()
    assert record["role"] == "simulated"
    assert record["host"]["simulation"]["seed"] == 7
    assert record["host"]["simulation"]["unit"]["identity"]["product_serial"] == "QS-2004174"
    assert record["times"]["clock"] == {"synchronised": None, "offset_s": None, "simulated": True}
    assert record["times"]["took_s"] >= 36_000
    assert record["unit"]["serial"] == "QS-2004174"
    assert {e.at.boot_id for e in events(bench)} == {"simulated-7"}
    files = sorted(path.name for path in bench.only_run().iterdir())
    assert files == ["journal", "report.simulated.html", "sealed.simulated.json"]
    page = (bench.only_run() / "report.simulated.html").read_text("utf-8")
    assert "Simulated" in page and "No real unit was tested" in page
    assert re.search(r"seed 7\b", page)
    audit = bench.command("audit", str(bench.only_run()))
    assert audit.returncode == 0
    assert audit.stdout.count("simulated: no real unit") == 2


def test_every_command_finds_the_files_of_a_simulated_run(bench: Bench) -> None:
    run(bench)
    name = bench.only_run().name
    assert re.search(rf"{name}\s+release", bench.command("runs").stdout)
    report = bench.only_run() / "report.simulated.html"
    report.unlink()
    assert "report still to be written" in bench.command("runs").stdout
    assert bench.command("resume", name).returncode == 0
    assert report.is_file()
    report.unlink()
    assert bench.command("report", name).returncode == 0
    assert report.is_file()
    assert "is sealed" in bench.command("resume", name).stderr
    assert "1 of 1 records" in bench.command("store", "rebuild").stdout
    shown = json.loads(bench.command("station", "show", "--json").stdout)
    assert (shown["runs"], shown["sealed"]) == (1, 1)


def test_the_same_seed_gives_the_same_readings_and_another_seed_others(tmp_path: Path) -> None:
    found = []
    for number, seed in enumerate(("7", "7", "8")):
        folder = tmp_path / str(number)
        folder.mkdir()
        bench = Bench(folder)
        bench.write("suite.toml", SUITE)
        bench.write("answers.toml", ANSWERS)
        assert run(bench, "--seed", seed).returncode == 0
        found.append(takes(bench.record()))
    assert found[0] == found[1]
    assert found[0] != found[2]


def test_without_a_seed_the_record_says_which_one_it_was(tmp_path: Path, bench: Bench) -> None:
    run(bench)
    first = bench.record()
    seed = first["host"]["simulation"]["seed"]
    (tmp_path / "again").mkdir()
    again = Bench(tmp_path / "again")
    again.write("suite.toml", SUITE)
    again.write("answers.toml", ANSWERS)
    run(again, "--seed", str(seed))
    assert takes(again.record()) == takes(first)


def test_a_described_unit_fails_where_it_is_faulty(bench: Bench) -> None:
    done = run(bench, "--json", at="simulated:dead.toml")
    assert done.returncode == 1
    told = json.loads(done.stdout)
    assert told["checks"]["lan"]["verdict"] == "fail"
    assert told["report"].endswith("report.simulated.html") and told["record"].endswith("sealed.simulated.json")
    assert bench.record()["unit"]["serial"] == "QS-2004182"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--at", "simulated:bad.toml"), "bad.toml:7:1: error: identity.vendor"),
        (("--at", "simulated:none.toml"), "no such file"),
        (("--at", "simulated:"), "--at simulated:FILE"),
        (("--at", "local", "--seed", "3"), "only a simulated unit has a seed"),
        (("--at", "simulated", "--seed", "-1"), "--seed"),
        (("--at", "simulatedly"), "simulated:FILE"),
    ],
)
def test_bad_input_is_told_before_anything_is_written(bench: Bench, words: tuple[str, ...], said: str) -> None:
    bench.write("bad.toml", UNIT.replace("[thermal]", "[thermals]").replace("sys_vendor", "vendor"))
    done = bench.command("run", "suite.toml", *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not (bench.station / "runs").exists()


def test_a_resumed_run_goes_on_in_its_own_time_with_the_same_unit(bench: Bench) -> None:
    assert run(bench, "--stage", "open", "--seed", "7", at="simulated:dead.toml").returncode == 3
    before = events(bench)
    # The unit on the bench cannot change between two sittings, whatever becomes of the file.
    bench.write("dead.toml", "nonsense")
    done = bench.command("resume")
    assert done.returncode == 1, done.stderr
    after = events(bench)[len(before) :]
    assert after[0].kind == "resumed"
    assert after[0].at == before[-1].at, "nothing happens to a simulated unit while nobody simulates it"
    boots = [float(e.at.boot) for e in events(bench)]
    assert boots == sorted(boots)
    assert boots[-1] > 36_000
    assert bench.record()["times"]["took_s"] == pytest.approx(boots[-1] - boots[0], abs=0.01)
    assert bench.record()["host"]["simulation"]["seed"] == 7


def test_simulated_runs_never_count_in_trends_unless_asked_for(bench: Bench) -> None:
    run(bench)
    plain = json.loads(bench.command("trends", "--json").stdout or "[]")
    asked = json.loads(bench.command("trends", "--simulated", "--json").stdout)
    assert "heat" not in json.dumps(plain)
    assert "heat" in json.dumps(asked)
    # Ten simulated hours are no reason to tell the technician that this check usually takes ten hours.
    assert usual_seconds(bench.station / "store.db", "marrowby-quayside") == {}


SHIPPED = ("run", "marrowby-orlop", "--at", "simulated", "--seed", "7")


def test_scripted_technician_sees_a_whole_suite_through(bench: Bench) -> None:
    done = bench.command(*SHIPPED, "--scripted", "--json")
    assert done.returncode == 0, done.stderr
    record = bench.record()
    assert {a["by"]["name"] is not None and a["by"]["known"] for c in record["checks"]
            for t in c["attempts"] for a in t["answers"]} == {"simulated"}  # fmt: skip
    # Without him, and without a terminal, nobody is asked.
    alone = json.loads(bench.command(*SHIPPED, "--json").stdout)
    assert alone["disposition"] == "hold"
    assert alone["checks"]["lamp"]["verdict"] == "not-run"


def test_a_fault_is_found_and_told_everywhere(bench: Bench) -> None:
    done = bench.command(*SHIPPED, "--scripted", "--fault", "relay-2-stuck", "--fault", "wrong-firmware=older")
    assert done.returncode == 1, done.stderr
    assert "Fault put in: Relay 2 does not follow its command (relay-2-stuck=open)." in done.stderr
    record = bench.record()
    assert record["host"]["simulation"]["unit"]["relays"]["2"]["stuck"] == "open"
    put_in = record["host"]["simulation"]["faults"]
    assert [(f["name"], f["severity"]) for f in put_in] == [("relay-2-stuck", "open"), ("wrong-firmware", "older")]
    verdicts = {c["id"]: c["attempts"][-1]["finding"]["verdict"] for c in record["checks"]}
    assert verdicts["identity"] == "fail"
    for words in ((), ("--for", "customer")):
        page = bench.folder / "page.html"
        assert bench.command("report", bench.only_run().name, "--out", str(page), *words).returncode == 0
        assert "Put in on purpose: Relay 2 does not follow its command (open)" in page.read_text("utf-8")
    assert "(simulated)" in bench.command("runs").stdout
    audit = bench.command("audit", str(bench.only_run()))
    assert audit.returncode == 0 and "simulated: no real unit" in audit.stdout


def test_a_resumed_run_meets_the_same_faults_and_what_was_done_before(bench: Bench) -> None:
    words = ("--scripted", "--fault", "relay-2-stuck", "--stage", "open")
    assert bench.command(*SHIPPED, *words).returncode == 3
    assert bench.command("resume", "--scripted").returncode == 1
    record = bench.record()
    verdicts = {c["id"]: c["attempts"][-1]["finding"]["verdict"] for c in record["checks"]}
    assert (verdicts["input-2"], verdicts["input-6"], verdicts["input-1"]) == ("fail", "fail", "pass")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--fault", "relay-2-stick"), 'Did you mean "relay-2-stuck"?'),
        (("--fault", "relay-2-stuck=half"), "It has: open, closed."),
        (("--at", "local", "--fault", "relay-2-stuck"), "only a simulated unit has faults"),
    ],
)
def test_a_fault_that_is_not_there_is_told_before_anything_is_written(
    bench: Bench, words: tuple[str, ...], said: str
) -> None:
    done = bench.command("run", "marrowby-orlop", "--at", "simulated", *words)
    assert done.returncode == 2 and said in done.stderr
    assert not (bench.station / "runs").exists()


def test_a_real_run_has_no_scripted_technician(bench: Bench) -> None:
    done = bench.command("run", "suite.toml", "--scripted")
    assert done.returncode == 2 and "only a simulated unit has a scripted technician" in done.stderr


def test_faults_are_listed(bench: Bench) -> None:
    said = bench.command("suite", "faults", "marrowby-orlop").stdout
    assert "relay-2-stuck" in said and "joint: Terminal block of the four relays" in said
    told = json.loads(bench.command("suite", "faults", "marrowby-orlop", "--json").stdout)
    assert {f["name"] for f in told} >= {"relay-2-stuck", "cell-flat", "wrong-board"}
    assert bench.command("suite", "faults", "marrowby-orlop", "--at", "local").returncode == 2


def test_the_unit_beside_a_suite_is_the_one_that_is_simulated(bench: Bench) -> None:
    bench.write("unit.toml", UNIT)
    fault = 'warm = { title = "Warm", severities = { full = { set = { "thermal.power" = 4.0 } } } }'
    bench.write("faults.toml", f'schema = 1\nmodel = "marrowby-quayside"\n[faults]\n{fault}\n')
    assert run(bench).returncode == 1, "its port is dead"
    told = json.loads(bench.command("suite", "faults", "suite.toml", "--json").stdout)
    assert [f["name"] for f in told] == ["warm"]


def test_lint_looks_at_the_simulated_unit_beside_a_suite(bench: Bench) -> None:
    assert bench.command("suite", "lint", "suite.toml").returncode == 0
    bench.write("unit.toml", UNIT + "[seen.lump]\nvalue = true\n")
    done = bench.command("suite", "lint", "suite.toml")
    assert done.returncode == 2
    assert 'unit.toml:13:7: error: seen.lump: the suite has no such check. Did you mean "lamp"?' in done.stdout
    bench.write("unit.toml", UNIT)
    bench.write("faults.toml", 'schema = 1\nmodel = "marrowby-quayside"\n[faults]\n' + FAULT)
    done = bench.command("suite", "lint", "suite.toml")
    assert done.returncode == 2
    assert "faults.toml:4:" in done.stdout and "the unit has no usb" in done.stdout
    assert "it cannot be simulated" in done.stdout


FAULT = 'bad = { title = "Bad", severities = { full = { set = { "usb.1.ohms" = 2.0 } } } }\n'


def test_a_person_is_asked_as_ever_and_the_clock_waits_for_the_answer(bench: Bench) -> None:
    person = Typist(bench.folder, "run", "suite.toml", "--at", "simulated", "--technician", "T07")
    person.when("yes or no:", "yes\n")
    person.when("reopen or later (? explains):", "\n")
    person.when("seal, again, correct", "seal\n")
    assert person.ended() == 0, person.screen
    record = bench.record()
    lamp = record["checks"][0]["attempts"][0]
    assert lamp["began"]["boot"] == lamp["ended"]["boot"], "the person held the clock"
    assert record["times"]["took_s"] >= 36_000


def test_a_slip_is_corrected_before_the_next_stage_covers_it(bench: Bench) -> None:
    person = Typist(bench.folder, "run", "suite.toml", "--at", "simulated", "--technician", "T07")
    person.when("yes or no:", "no\n")
    before = person.when("(? explains):", "correct lmp yes\n")
    assert "fail         lamp: no, not yes" in before
    person.when("Did you mean lamp?", "")
    person.when("(? explains):", "correct lamp yes\n")
    person.when("Why", "slip of the finger\n")
    person.when("(? explains):", "\n")
    person.when("seal, again, correct", "seal\n")
    assert person.ended() == 0, person.screen
    attempts = bench.record()["checks"][0]["attempts"]
    assert [a["answers"][0]["value"] for a in attempts] == [False, True]
    assert not attempts[1]["answers"][0]["from_memory"]


def test_ctrl_c_pauses_a_simulated_run_too(bench: Bench) -> None:
    person = Typist(bench.folder, "run", "suite.toml", "--at", "simulated", "--technician", "T07")
    person.when("yes or no:", "\x03")
    assert person.ended() == 3, person.screen
    assert events(bench)[-1].kind == "paused"
    assert bench.command("resume", "--answers", "answers.toml").returncode == 0


PLUG = """
schema = 1
model = "marrowby-quayside"
title = "Port 3, either way up"
revision = 1
[serial]
label = false
[[checks]]
id = "plug"
title = "Port 3, either way up"
probe = "usb.plug"
settings = { path = "2-3", or_path = "1-3", label = "3", both_ways = true }
limits = [
  { reading = "speed", at_least = 10000, unit = "Mbit/s", source = "invented" },
  { reading = "speed_turned", at_least = 10000, unit = "Mbit/s", source = "invented" },
]
"""


def test_what_a_person_is_told_to_do_is_done_to_the_simulated_unit(bench: Bench) -> None:
    """There is nothing to plug in: the words are shown, and the unit behaves as if it had been done."""
    bench.write("plug.toml", PLUG)
    words = ("--at", "simulated", "--technician", "T07", "--fault", "usb-3-fast-pair-open=one-way-up")
    person = Typist(bench.folder, "run", "plug.toml", *words)
    person.when("seal, again, correct", "seal\n")
    assert person.ended() == 1, person.screen
    assert "Pull the plug out of the socket marked 3, within 30 s." in person.screen
    assert "Turn the plug over" in person.screen
    finding = bench.record()["checks"][0]["attempts"][0]["finding"]
    assert [(h["reading"], h["verdict"]) for h in finding["held"]] == [("speed", "pass"), ("speed_turned", "fail")]
