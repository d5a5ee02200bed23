"""`verifier suite prove` as an author types it: the table, going on when interrupted, rounds on real units."""

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from verifier.commands import prove_real
from verifier.commands.main import cli
from verifier.errors import InputError
from verifier.trends.trials import Round, Rounds

ANSWERS = Path(__file__).parents[1] / "suites" / "orlop-answers.toml"
SMALL = ("marrowby-orlop", "--runs", "10", "--jobs", "1")


def prove(*arguments, env=None):
    return CliRunner().invoke(cli, ["suite", "prove", *map(str, arguments)], standalone_mode=False, env=env)


def told(*arguments, env=None):
    result = prove(*arguments, env=env)
    assert result.exception is None, result.exception
    return result


def test_the_table_says_what_it_is_and_shows_what_escapes_first():
    text = told(*SMALL).output
    lines = text.splitlines()
    assert lines[0].startswith("Model result, not evidence: marrowby-orlop")
    assert lines[1].startswith("10 sound, 1 with each of")
    headings = ("Escapes:", "Held, but never", "Caught at every try", "Sound units")
    places = [text.find(heading) for heading in headings]
    found = [place for place in places if place >= 0]
    assert found == sorted(found)
    assert "relay-1-stuck=open" in text[text.index("Caught at every try") :]
    assert "Stated: at most 2.5 % false fails for each finding." in text


def test_the_table_for_programs_is_the_same_at_every_try(tmp_path):
    first = told(*SMALL, "--json").output
    out = tmp_path / "proof.json"
    told(*SMALL, "--out", out)
    assert out.read_text("utf-8") == first
    assert not out.with_name("proof.json.part").exists()
    data = json.loads(first)
    assert data["what"] == "model result, not evidence"
    assert data["healthy"]["runs"] == 10
    assert told(*SMALL, "--json", "--seed", "2").output != first


def begun(out):
    """A long proof in two processes of its own that has made some pieces."""
    command = [
        sys.executable,
        "-m",
        "verifier",
        "suite",
        "prove",
        "marrowby-orlop",
        "--runs",
        "300",
        "--jobs",
        "2",
    ]
    process = subprocess.Popen(
        [*command, "--out", str(out)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    part = out.with_name("proof.json.part")
    until = time.monotonic() + 60
    while not (part.exists() and part.read_text("utf-8").count("\n") > 3):
        assert time.monotonic() < until
        assert process.poll() is None, process.communicate()
        time.sleep(0.05)
    return process, part


def at_work(out):
    """Processes whose command line names this proof, and which have not ended."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            if (
                str(out).encode() in (entry / "cmdline").read_bytes()
                and "Z" not in (entry / "stat").read_text()[:50]
            ):
                found.append(int(entry.name))
        except OSError:
            continue
    return found


def test_killed_it_leaves_no_process_behind(tmp_path):
    out = tmp_path / "proof.json"
    process, _ = begun(out)
    assert len(at_work(out)) == 3
    process.kill()
    process.communicate(timeout=60)
    until = time.monotonic() + 20
    while at_work(out):
        assert time.monotonic() < until
        time.sleep(0.05)


def test_interrupted_it_goes_on_where_it_stood(tmp_path):
    out = tmp_path / "proof.json"
    process, part = begun(out)
    process.send_signal(signal.SIGINT)
    output, error = process.communicate(timeout=60)
    assert process.returncode == 3, error
    assert "Traceback" not in error
    assert "Interrupted. The same command goes on." in output
    kept = [json.loads(line)["piece"] for line in part.read_text("utf-8").splitlines()[1:]]
    assert kept and not out.exists()
    with part.open("a") as file:
        file.write('{"piece": "torn')
    few = told("marrowby-orlop", "--runs", "10", "--jobs", "1", "--out", out)
    assert few.exit_code == 0
    assert json.loads(out.read_text("utf-8"))["healthy"]["runs"] == 10, "pieces of another extent do not count"


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["this-computer"], "no simulated unit"),
        (["marrowby-orlop", "--at", "local"], "only a simulated unit"),
        (["marrowby-orlop", "--fault", "relay-1-stuck"], "only --real"),
        (["marrowby-orlop", "--real", "--at", "simulated"], "a real unit"),
        (["marrowby-orlop", "--real", "--at", "local", "--fault", "nonsense"], "knows no fault"),
        (["marrowby-orlop", "--real", "--at", "local"], "somebody at a terminal"),
    ],
)
def test_what_cannot_be_proved_is_said(arguments, what, tmp_path):
    error = prove(*arguments, env={"VERIFIER_STATION": str(tmp_path)}).exception
    assert isinstance(error, InputError)
    assert what in error.what


@pytest.fixture
def somebody(monkeypatch):
    asked = []
    monkeypatch.setattr(prove_real, "_confirm", asked.append)
    return asked


def test_rounds_on_a_real_unit_add_up_apart_from_the_repairs_of_the_station(somebody, tmp_path):
    env = {"VERIFIER_STATION": str(tmp_path)}
    real = ("marrowby-orlop", "--real", "--at", "local", "--answers", ANSWERS, "--technician", "T04")
    first = told(*real, "--fault", "relay-1-stuck", env=env)
    assert "Round 1, put in on purpose: Relay 1" in first.output
    assert "scrap or reference unit" in first.output
    assert somebody == ["Is it in, and nothing else?", "Take the fault out again. Is it out, and the unit whole?"]
    told(*real, env=env)
    assert somebody[2] == "Is the unit sound and whole?", "what was tried least comes next"
    found = json.loads(told("marrowby-orlop", "--real", "--counts", "--json", env=env).output)
    assert [(one["fault"], one["runs"]) for one in found["rounds"]] == [("relay-1-stuck", 1), ("", 1)]
    text = told("marrowby-orlop", "--real", "--counts", env=env).output
    assert text.startswith("Counted on real units with deliberate faults: marrowby-orlop")
    assert not (tmp_path / "runs").exists(), "no run of the station itself"
    runs = list((tmp_path / "trials" / "runs").iterdir())
    assert len(runs) == 2


def test_a_round_that_was_cut_off_after_its_seal_is_counted_and_the_next_begun(somebody, tmp_path):
    env = {"VERIFIER_STATION": str(tmp_path)}
    real = ("marrowby-orlop", "--real", "--at", "local", "--answers", ANSWERS, "--technician", "T04")
    told(*real, "--fault", "relay-1-stuck", env=env)
    file = tmp_path / "trials" / "marrowby-orlop.jsonl"
    file.write_text(file.read_text("utf-8").splitlines(keepends=True)[0], "utf-8")
    assert Rounds(file).open() is not None
    told(*real, env=env)
    found = json.loads(told("marrowby-orlop", "--real", "--counts", "--json", env=env).output)
    assert [(one["fault"], one["runs"]) for one in found["rounds"]] == [("relay-1-stuck", 1), ("", 1)]


def test_a_spoiled_line_names_its_place_and_a_torn_last_one_is_left_out(tmp_path):
    file = tmp_path / "rounds.jsonl"
    rounds = Rounds(file)
    for run in ("a", "b"):
        rounds.keep(Round("ab" * 32, "lamp", "off", run, "rework", (("lamp", "fail"),)))
    with file.open("a", encoding="utf-8") as torn:
        torn.write('{"suite_sha256": "a')
    assert Rounds(file).of("ab" * 32) == rounds.of("ab" * 32)
    file.write_text(file.read_text("utf-8").replace("rework", "perhaps", 1), "utf-8")
    with pytest.raises(InputError) as error:
        Rounds(file)
    assert error.value.where == f"{file}:1"
