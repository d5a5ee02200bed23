"""A unit is quarantined while a supply feeds it: the supply is off at once and stays so. A real `verifier run`."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from instrument_bench import TestInstruments

from verifier.gather.journal import read

SUITE = """
schema = 1
model = "marrowby-gangway"
title = "Deck tablet"
revision = 1
[serial]
label = false
firmware = false

[[checks]]
id = "flat"
title = "Does not rock"
prompt = "confirm"
say = "Does it lie still?"
on_fail = "quarantine"
limits = [{ reading = "confirm", is = true, source = "invented" }]

[[checks]]
id = "feed"
title = "Fed for a long time"
probe = "instrument.supply"
settings = { instrument = "supply", voltage = 5.0, current_limit = 0.5, settle = 120.0 }
needs = ["supply"]
after = ["flat"]
timeout = "3 min"
limits = [{ reading = "current", at_most = 1, unit = "A", source = "invented" }]

[[checks]]
id = "pulled"
title = "Voltage under load, of a cell that cannot give it"
probe = "instrument.load"
settings = { instrument = "load", current = 0.5, meter = "meter", settle = 1.0 }
needs = ["load", "meter"]
after = ["flat"]
on_fail = "quarantine"
limits = [{ reading = "loaded", at_least = 1000, unit = "V", source = "invented" }]

[[checks]]
id = "later"
title = "Later"
stage = "finished"
prompt = "confirm"
say = "Is it shut?"
limits = [{ reading = "confirm", is = true, source = "invented" }]
"""


@pytest.mark.parametrize("flat", ["true", "false"])
def test_the_supply_is_off_long_before_its_check_would_have_ended(
    tmp_path: Path, instruments: TestInstruments, flat: str
) -> None:
    station = tmp_path / "station"
    instruments.describe(station / "instruments", "supply", "meter", "load")
    (tmp_path / "suite.toml").write_text(SUITE, "utf-8")
    answers = f'[flat]\nvalue = {flat}\nby = "T07"\n[later]\nvalue = true\nby = "T07"\n'
    (tmp_path / "answers.toml").write_text(answers, "utf-8")
    before = instruments.tell()["supply"]["times_on"]
    began = time.monotonic()
    words = ("run", "suite.toml", "--at", "none", "--answers", "answers.toml")
    made = subprocess.run(
        [sys.executable, "-m", "verifier", *words],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "VERIFIER_STATION": str(station), "NO_COLOR": "1"},
        timeout=180,
    )
    assert made.returncode == 1, made.stderr
    assert time.monotonic() - began < 110
    assert not instruments.tell()["supply"]["on"] and not instruments.tell()["load"]["on"]
    assert instruments.tell()["supply"]["times_on"] - before == (flat == "true")
    assert "Quarantined: do not charge, load or heat this unit" in made.stdout
    (run,) = (station / "runs").iterdir()
    events = read(run / "journal").events
    kinds = [event.kind for event in events]
    safe = kinds.index("safe")
    assert events[safe].data["why"] == "the unit is quarantined"
    assert events[safe].data["instruments"] == {"load": "", "supply": ""}
    found = {e.data["check"]: e.data["finding"] for e in events if e.kind == "finding"}
    failed = "pulled" if flat == "true" else "flat"
    assert {c: f["verdict"] for c, f in found.items() if c != failed} == dict.fromkeys(
        {"flat", "feed", "pulled", "later"} - {failed}, "not-run"
    ) | ({"flat": "pass"} if flat == "true" else {})
    if flat == "true":
        assert found["feed"]["reason"] == "ended, because the unit is quarantined"
    assert not any(e.data.get("check") == "later" for e in events if e.kind == "answer")
