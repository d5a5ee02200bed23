"""Nothing stays on: the bench, the instrument process and the watchdog are killed; then the supply is looked at.

Real `verifier run` processes and real bytes over pseudo-terminals; the supply's own state decides.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from instrument_bench import TestInstruments

from verifier.gather.instruments.process import alive
from verifier.gather.journal import read

SUITE = """
schema = 1
model = "marrowby-orlop"
title = "Orlop data logger"
revision = 1
[serial]
label = false
firmware = false

[[checks]]
id = "supply-current"
title = "Current at 12 V"
probe = "instrument.supply"
settings = { instrument = "supply", voltage = 12.0, current_limit = 0.5, settle = SETTLE, samples = 3 }
needs = ["supply"]
limits = [
  { reading = "current", nominal = 120, tolerance = 20, unit = "mA", source = "invented" },
  { reading = "stayed_on", is = true, source = "invented" },
]
"""


class Station:
    def __init__(self, folder: Path, instruments: TestInstruments) -> None:
        self.folder, self.instruments = folder, instruments
        self.root = folder / "station"
        self._started: list[subprocess.Popen[str]] = []
        instruments.describe(self.root / "instruments", "supply", "meter")
        self.suite()

    def suite(self, settle: float = 0.05, text: str = SUITE) -> None:
        (self.folder / "suite.toml").write_text(text.replace("SETTLE", f"{settle}"), "utf-8")

    def start(self, *words: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", "verifier", *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=self.folder,
            env={**os.environ, "VERIFIER_STATION": str(self.root), "NO_COLOR": "1"},
            start_new_session=True,
        )
        self._started.append(process)
        return process

    def close(self) -> None:
        """End what a failed test left running."""
        for process in self._started:
            if process.poll() is None:
                process.kill()
            process.communicate()

    def command(self, *words: str) -> tuple[int, str]:
        process = self.start(*words)
        said, _ = process.communicate(timeout=120)
        return process.returncode, said

    def run(self) -> subprocess.Popen[str]:
        return self.start("run", "suite.toml", "--at", "none")

    def events(self) -> list[tuple[str, dict[str, object]]]:
        (run,) = (self.root / "runs").iterdir()
        return [(event.kind, dict(event.data)) for event in read(run / "journal").events]

    def owner(self) -> int:
        return int((self.root / "instruments" / ".lock").read_text())

    def watchdog(self) -> int:
        (found,) = _children(self.owner())
        return found


def _children(pid: int) -> list[int]:
    found = []
    for thread in Path(f"/proc/{pid}/task").iterdir():
        found += [int(word) for word in (thread / "children").read_text().split()]
    return found


def wait_for(what: Callable[[], object], seconds: float = 60.0) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.005)


@pytest.fixture
def bench(tmp_path: Path, instruments: TestInstruments) -> Iterator[Station]:
    instruments.tell(ohms=100.0, misbehave={"supply": "", "meter": ""}, hold={"supply": ""}, forget=["supply"])
    station = Station(tmp_path, instruments)
    yield station
    instruments.tell(hold={"supply": ""}, misbehave={"supply": ""})
    station.close()
    assert instruments.goes_off(), "the supply was left on"


def test_a_whole_run_measures_and_leaves_the_output_off(bench: Station) -> None:
    before = bench.instruments.tell()["supply"]["times_on"]
    process = bench.run()
    said, _ = process.communicate(timeout=120)
    assert process.returncode == 0, said
    state = bench.instruments.tell()["supply"]
    assert state["times_on"] == before + 1 and not state["on"]
    # 12 V over 100 Ω draw 120 mA; the trips stand a tenth above what was set.
    assert state["set"] == {
        "VOLT": 12.0,
        "CURR": 0.5,
        "VOLT:PROT": pytest.approx(13.2),
        "CURR:PROT": pytest.approx(0.55),
    }
    readings = [data["reading"] for kind, data in bench.events() if kind == "reading"]
    current = next(r for r in readings if r["name"] == "current")  # type: ignore[index,call-overload]
    assert current["value"] == pytest.approx(0.12)
    assert current["origin"].startswith("supply (serial SUPPLY-001) at /dev/pts/")


def test_the_trips_are_read_back_before_the_output_goes_on(bench: Station) -> None:
    bench.run().communicate(timeout=120)
    heard = bench.instruments.tell()["supply"]["heard"]
    last_on = len(heard) - 1 - heard[::-1].index("OUTP ON")
    for message in ("VOLT:PROT?", "CURR:PROT?", "VOLT?", "CURR?"):
        assert message in heard[:last_on]


STEPS = ("VOLT 12", "VOLT:PROT 13.2", "OUTP ON", "MEAS:VOLT?", "MEAS:CURR?")


@pytest.mark.parametrize("hung", [False, True])
def test_killed_together_or_hung_the_watchdog_does_it(bench: Station, hung: bool) -> None:
    bench.instruments.tell(hold={"supply": "MEAS:VOLT?"})
    process = bench.run()
    wait_for(lambda: bench.instruments.tell()["supply"]["held"])
    owner = bench.owner()
    os.kill(owner, signal.SIGSTOP if hung else signal.SIGKILL)
    os.kill(process.pid, signal.SIGKILL)
    assert bench.instruments.on()
    bench.instruments.tell(hold={"supply": ""})
    assert bench.instruments.goes_off()
    wait_for(lambda: not alive(owner))


def held_on(bench: Station) -> subprocess.Popen[str]:
    """A run whose supply is on and stands still after the first question for what it measures."""
    bench.instruments.tell(hold={"supply": "MEAS:VOLT?"})
    process = bench.run()
    wait_for(lambda: bench.instruments.tell()["supply"]["held"])
    return process


def test_instrument_process_and_watchdog_killed_together_the_bench_does_it(bench: Station) -> None:
    process = held_on(bench)
    owner, watchdog = bench.owner(), bench.watchdog()
    os.kill(watchdog, signal.SIGSTOP)  # so that neither sees the other die
    os.kill(owner, signal.SIGKILL)
    os.kill(watchdog, signal.SIGKILL)
    bench.instruments.tell(hold={"supply": ""})
    assert bench.instruments.goes_off()
    said, _ = process.communicate(timeout=120)
    assert process.returncode == 1 and "bench-error" in said and "Traceback" not in said, said


def test_what_cannot_be_made_safe_is_told_at_once_and_nothing_is_sealed_meanwhile(bench: Station) -> None:
    process = held_on(bench)
    watchdog = bench.watchdog()
    bench.instruments.tell(misbehave={"supply": "stubborn"}, hold={"supply": ""})
    said, _ = process.communicate(timeout=120)
    assert process.returncode == 2 and "Switch it off at its own switch now" in said, said
    assert "Switch supply off at its own switch now: it may still be on" in said, "in the finding too"
    assert alive(watchdog), "which goes on trying, while whoever reads what the run says need not wait for it"
    (folder,) = (bench.root / "runs").iterdir()
    assert {file.name for file in folder.iterdir()} == {"journal"}
    bench.instruments.misbehave("supply", "")
    assert bench.instruments.goes_off()


def test_all_three_killed_at_once_the_start_of_resume_does_it(bench: Station) -> None:
    """Nobody is left who could: until somebody resumes or makes safe by hand, only the supply's own trips hold."""
    process = held_on(bench)
    owner, watchdog = bench.owner(), bench.watchdog()
    for pid in (owner, watchdog, process.pid):
        os.kill(pid, signal.SIGSTOP)
    for pid in (owner, watchdog, process.pid):
        os.kill(pid, signal.SIGKILL)
    process.wait(60)
    bench.instruments.tell(hold={"supply": ""}, forget=["supply"])
    assert bench.instruments.on()
    code, said = bench.command("resume")
    assert code == 1 and not bench.instruments.on(), said
    assert "OUTP ON" not in bench.instruments.tell()["supply"]["heard"]
    safe = [data for kind, data in bench.events() if kind == "safe"]
    assert safe[0]["why"] == "going on after a pause" and safe[0]["instruments"] == {"supply": ""}


@pytest.mark.parametrize("victim", ["bench", "instrument process", "watchdog"])
@pytest.mark.parametrize("step", STEPS)
def test_killed_at_each_step_nothing_stays_on(bench: Station, step: str, victim: str) -> None:
    # The supply does what it is told at this step and then stands still, so that the kill falls exactly there.
    bench.instruments.tell(hold={"supply": step})
    process = bench.run()
    wait_for(lambda: bench.instruments.tell()["supply"]["held"])
    pid = {"bench": lambda: process.pid, "instrument process": bench.owner, "watchdog": bench.watchdog}[victim]()
    os.kill(pid, signal.SIGKILL)
    if victim == "bench":
        process.wait(60)
    assert bench.instruments.on() == (step in STEPS[STEPS.index("OUTP ON") :])
    bench.instruments.tell(hold={"supply": ""})
    assert bench.instruments.goes_off()
    said, _ = process.communicate(timeout=120)
    if victim != "bench":
        assert process.returncode == 1, said
        (finding,) = [data["finding"] for kind, data in bench.events() if kind == "finding"]
        assert finding["verdict"] == "bench-error", finding  # type: ignore[index]
        assert "Traceback" not in said
    assert bench.instruments.goes_off(seconds=0)


def test_a_watchdog_lost_while_the_unit_settles_is_never_blamed_on_the_unit(bench: Station) -> None:
    bench.suite(settle=4.0)
    process = bench.run()
    wait_for(bench.instruments.on)
    wait_for(lambda: bench.instruments.tell()["supply"]["heard"][-1] == "OUTP?")  # it was asked whether it is on
    os.kill(bench.watchdog(), signal.SIGKILL)
    assert bench.instruments.goes_off()
    assert process.poll() is None, "off while it settles, not when the check ends"
    said, _ = process.communicate(timeout=120)
    assert process.returncode == 1 and "bench-error" in said and "made safe" in said, said


def test_ctrl_c_while_the_output_is_on_makes_safe_and_pauses(bench: Station) -> None:
    bench.suite(settle=30)
    process = bench.run()
    wait_for(bench.instruments.on)
    os.kill(process.pid, signal.SIGINT)
    said, _ = process.communicate(timeout=120)
    assert process.returncode == 3, said
    assert not bench.instruments.on()


def at_terminal(bench: Station, answers: dict[str, str], *words: str) -> tuple[int, str]:
    """Run a command at a terminal of its own and type each answer when its question is on the screen."""
    ours, theirs = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "verifier", *words],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        cwd=bench.folder,
        env={**os.environ, "VERIFIER_STATION": str(bench.root), "NO_COLOR": "1", "TERM": "dumb"},
        start_new_session=True,
    )
    os.close(theirs)
    said, left, until = "", dict(answers), time.monotonic() + 120
    while time.monotonic() < until:
        if not select.select([ours], [], [], 0.2)[0]:
            continue
        try:
            said += os.read(ours, 65_536).decode("utf-8", "replace")
        except OSError:
            break
        # What is typed before the question is all there is dropped.
        for question in [q for q in left if q in said and said.endswith(": ")]:
            os.write(ours, left.pop(question).encode() + b"\n")
    else:
        process.kill()
    os.close(ours)
    assert not left, said
    return process.wait(60), said


def paused(bench: Station) -> None:
    bench.suite(settle=3.0)  # long enough that Ctrl-C comes before its end on a busy machine
    process = bench.run()
    wait_for(bench.instruments.on)
    os.kill(process.pid, signal.SIGINT)
    process.communicate(timeout=120)
    assert process.returncode == 3
    bench.instruments.tell(forget=["supply"])


def test_after_a_pause_all_is_made_safe_first_and_hands_clear_is_asked(bench: Station) -> None:
    paused(bench)
    code, said = at_terminal(
        bench,
        {"Hands clear?": "y", "Review before sealing": "seal"},
        "resume", "--technician", "T07",
    )  # fmt: skip
    assert code == 0, said
    assert said.index("Hands clear?") < said.index("Review before sealing")
    kinds = [kind for kind, _ in bench.events()]
    after = kinds[kinds.index("resumed") :]
    assert after.index("safe") < after.index("hands-clear") < after.index("reading")
    safe = [data for kind, data in bench.events() if kind == "safe"]
    assert safe[0]["why"] == "going on after a pause" and safe[0]["instruments"] == {"supply": ""}


def test_hands_that_are_not_clear_keep_the_output_off(bench: Station) -> None:
    paused(bench)
    code, said = at_terminal(
        bench,
        {"Hands clear?": "n", "Review before sealing": "seal"},
        "resume", "--technician", "T07",
    )  # fmt: skip
    assert code == 1, said
    assert "OUTP ON" not in bench.instruments.tell()["supply"]["heard"]
    assert [data["finding"]["verdict"] for kind, data in bench.events() if kind == "finding"] == ["not-run"]  # type: ignore[index]


def test_after_a_pause_nothing_is_switched_on_when_nobody_can_be_asked(bench: Station) -> None:
    paused(bench)
    (bench.folder / "answers.toml").write_text('["hands clear"]\nvalue = true\nby = "T07"\n')
    code, said = bench.command("resume", "--answers", "answers.toml")
    assert code == 2 and "hands clear" in said, "no answer to this can be prepared"
    code, said = bench.command("resume")
    assert code == 1, said
    assert "OUTP ON" not in bench.instruments.tell()["supply"]["heard"]


def test_station_safe_breaks_off_a_run_and_says_what_is_safe(bench: Station) -> None:
    bench.suite(settle=30)
    process = bench.run()
    wait_for(bench.instruments.on)
    code, said = bench.command("station", "safe")
    assert code == 0 and "supply: safe" in said and "not a safety function" in said, said
    assert not bench.instruments.on()
    told, _ = process.communicate(timeout=120)
    assert process.returncode == 1 and "Traceback" not in told


def test_station_safe_says_what_it_could_not_reach(bench: Station) -> None:
    bench.instruments.misbehave("supply", "silence")
    code, said = bench.command("station", "safe")
    assert code == 2 and "Switch it off at its own switch now" in said, said


VOLTS_BY_EYE = """
[[checks]]
id = "by-eye"
title = "Current at 12 V, read off"
prompt = "number"
instead_of = "supply-current"
say = "Read the current."
unit = "mA"
range = [0, 1000]
limits = [{ reading = "number", nominal = 120, tolerance = 20, unit = "mA", source = "invented" }]
"""


@pytest.mark.parametrize(("old", "new"), [("voltage = 12.0", "voltage = 25.0"), ("limit = 0.5", "limit = 1.5")])
def test_a_check_that_wants_more_than_the_stations_ceiling_is_not_run(bench: Station, old: str, new: str) -> None:
    bench.suite(text=SUITE.replace(old, new))
    code, said = bench.command("run", "suite.toml", "--at", "none")
    assert code == 1 and "not-run" in said and "than its ceilings at this station allow" in said, said
    assert "ceilings in the instrument's file" in said, "and what to do"
    assert not bench.instruments.tell()["supply"]["heard"], "nothing was sent to it"


def test_what_stands_in_for_a_check_beyond_the_ceiling_is_asked_and_counts(bench: Station) -> None:
    bench.suite(text=SUITE.replace("voltage = 12.0", "voltage = 25.0") + VOLTS_BY_EYE)
    (bench.folder / "answers.toml").write_text('[by-eye]\nvalue = 119\nby = "T07"\n')
    code, said = bench.command("run", "suite.toml", "--at", "none", "--answers", "answers.toml")
    assert code == 0 and "Released" in said, said
    assert not bench.instruments.tell()["supply"]["heard"]


def test_a_swapped_supply_is_never_switched_on(bench: Station) -> None:
    bench.instruments.misbehave("supply", "swapped")
    code, said = bench.command("run", "suite.toml", "--at", "none")
    assert code == 1 and "Are two instruments swapped?" in said, said
    assert "OUTP ON" not in bench.instruments.tell()["supply"]["heard"]


def test_station_instruments_lists_tries_and_shows_kinds(bench: Station) -> None:
    code, said = bench.command("station", "instruments")
    assert code == 0, said
    assert "meter: Test meter at /dev/pts/" in said and "EXAMPLE,DM1,METER-001,1.0" in said
    assert "calibration due 2999-03-01" in said and "not a safety function" in said
    code, said = bench.command("station", "instruments", "try", "meter")
    assert code == 0 and "resistance: 100 ± 0.22 Ohm" in said, said
    file = bench.root / "instruments" / "meter.toml"
    whole = file.read_text()
    file.write_text(whole.replace('serial = "METER-001"\n', ""))
    code, said = bench.command("station", "instruments", "try", "meter")
    assert code == 0 and 'add to its file: serial = "METER-001"' in said and "resistance" not in said, said
    file.write_text(whole.replace("METER-001", "METER-002"))
    code, said = bench.command("station", "instruments")
    assert code == 2 and "Are two instruments swapped?" in said and "EXAMPLE,PS1" in said, said
    file.write_text(whole)
    code, said = bench.command("station", "instruments", "try", "scope")
    assert code == 2 and "meter, supply" in said
    code, said = bench.command("station", "instruments", "kinds", "relay-card")
    assert code == 0 and "RLY {channel},1" in said
    code, said = bench.command("station", "instruments", "find")
    assert code == 0 and said.strip()
    assert "OUTP ON" not in bench.instruments.tell()["supply"]["heard"]


WATCHING = {
    "supply": ("bench", "supply.signature", "voltage = 12.0, current_limit = 0.5"),
    "load": ("instrument process", "usb.vbus", 'port = "usb3-a", settle = 60.0'),
}
"""What is on for long, who is killed meanwhile, and the probe that has it on with its settings."""


@pytest.mark.parametrize("name", WATCHING)
def test_killed_while_a_unit_is_watched_or_loaded_nothing_stays_on(bench: Station, name: str) -> None:
    bench.instruments.describe(bench.root / "instruments", "load")
    victim, probe, settings = WATCHING[name]
    head, _, _ = SUITE.partition("probe = ")
    bench.suite(
        text=f'{head}probe = "{probe}"\nsettings = {{ instrument = "{name}", {settings} }}\nneeds = ["{name}"]\n'
        'limits = [{ reading = "stayed_on", is = true, source = "invented" }]\n'
    )
    process = bench.run()
    wait_for(lambda: bench.instruments.on(name))
    os.kill(process.pid if victim == "bench" else bench.owner(), signal.SIGKILL)
    assert bench.instruments.goes_off(name)
    said, _ = process.communicate(timeout=120)
    assert victim == "bench" or (process.returncode == 1 and "bench-error" in said), said
