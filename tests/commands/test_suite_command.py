"""`verifier suite`: lint, show, schema, probes, as a person types them."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from verifier.commands.main import cli
from verifier.errors import VerifierError

GOOD = """\
schema = 1
model = "marrowby-quayside"
title = "Quayside, a suite for trying out the command line and its output at eighty columns"
revision = 2
state = "approved"

[parts.io-board]
title = "Connector board"
joints = ["usb-2", "lan"]

[joints.usb-2]
title = "Rear port 2"
faults = ["open-circuit"]

[joints.lan]
title = "Network port"

[[checks]]
id = "usb-2"
title = "Rear port 2 at full speed"
probe = "usb.device"
settings = { path = "2-2", or_path = "1-2" }
covers = ["usb-2"]
limits = [{ reading = "speed", at_least = 5000, unit = "Mbit/s", source = "port table of the model" }]

[[checks]]
id = "lan-lamps"
title = "Lamps of the network port"
stage = "finished"
prompt = "confirm"
say = "Plug in the bench cable: do both lamps of the network port light up within five seconds of each other?"
covers = ["lan"]
after = ["usb-2"]
limits = [{ reading = "confirm", is = true, source = "judgement, A02" }]
"""


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["suite", *arguments], standalone_mode=False)


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "suite.toml"
    path.write_text(GOOD)
    return path


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    path = tmp_path / "bad.toml"
    path.write_text(GOOD.replace("5000", '"5000"').replace('"confirm"\nsay', '"confrim"\nsay'))
    return path


def test_lint_of_a_good_suite(good: Path) -> None:
    result = run("lint", str(good))
    assert result.output == f"{good}: 2 checks, nothing to mend\n"
    assert result.return_value == 0


def test_lint_tells_every_file_and_refuses_when_one_is_bad(good: Path, bad: Path) -> None:
    result = run("lint", str(good), str(bad), "nowhere")
    lines = result.output.splitlines()
    assert lines[0] == f"{good}: 2 checks, nothing to mend"
    assert lines[1].startswith(f"{bad}:24:43: error: checks[0].limits[0].at_least:")
    assert lines[2].startswith(f"{bad}:30:10: error: checks[1].prompt:")
    assert lines[3] == f"{bad}: 2 errors; it cannot be run"
    assert "no suite" in lines[4]
    assert result.return_value == 2


def test_lint_with_warnings_only_is_usable(good: Path) -> None:
    good.write_text(GOOD.replace('covers = ["lan"]\n', ""))
    result = run("lint", str(good))
    assert "no check covers this joint" in result.output
    assert result.output.endswith("2 checks, 1 warning\n")
    assert result.return_value == 0


def test_lint_as_json(good: Path, bad: Path) -> None:
    first, second = json.loads(run("lint", "--json", str(good), str(bad)).output)
    assert first == {"file": str(good), "usable": True, "checks": 2, "problems": []}
    assert (second["usable"], second["checks"], len(second["problems"])) == (False, None, 2)
    assert second["problems"][0]["path"] == "checks[0].limits[0].at_least"
    assert second["problems"][0]["line"] == 24


def test_process_leaves_with_code_2_and_without_a_traceback(bad: Path) -> None:
    for command in ("lint", "show"):
        done = subprocess.run(
            [sys.executable, "-m", "verifier", "suite", command, str(bad)], capture_output=True, text=True
        )
        assert done.returncode == 2
        assert "Traceback" not in done.stderr
        assert "checks[1].prompt" in done.stdout + done.stderr


def test_show_reads_as_words_within_80_columns(good: Path) -> None:
    text = run("show", str(good)).output
    assert max(map(len, text.splitlines())) <= 80
    flat = " ".join(text.split())
    for words in (
        "revision 2, approved",
        "Closed: the functional test",
        'probe usb.device with path = "2-2", or_path = "1-2"',
        "limit speed: at least 5000 Mbit/s (port table of the model)",
        "limit confirm: yes (judgement, A02)",
        "after usb-2",
        "covered by usb-2; disturbed by io-board",
        "covered by lan-lamps, by eye only; disturbed by io-board",
        "faults: open-circuit",
    ):
        assert words in flat
    assert (
        text.index("Closed") < text.index("usb-2: Rear port 2") < text.index("Finished") < text.index("lan-lamps:")
    )


def test_show_as_json_holds_the_suite_as_the_file_writes_it(good: Path) -> None:
    data = json.loads(run("show", "--json", str(good)).output)
    assert data["suite"]["schema"] == 1
    assert data["suite"]["checks"][1]["limits"][0]["is"] is True
    assert len(data["sha256"]) == 64


def test_show_of_a_shipped_suite_by_name() -> None:
    assert "this-computer" in run("show", "this-computer").output


def test_schema_is_json() -> None:
    assert json.loads(run("schema").output)["title"].startswith("Suite")


def test_a_probe_that_needs_somebody_to_act_says_so() -> None:
    assert "acts when asked" in run("probes", "button.presses").output
    assert "acts when asked" not in run("probes", "button.power").output
    told = {probe["name"]: probe["cues"] for probe in json.loads(run("probes", "--json").output)}
    assert told["usb.plug"] is True and told["usb.device"] is False


def test_probes_are_listed_and_each_is_shown_in_full() -> None:
    names = re.findall(r"^([a-z_.]+)  ", run("probes").output, flags=re.MULTILINE)
    assert "usb.device" in names
    for name in names:
        text = run("probes", name).output
        as_data = json.loads(run("probes", name, "--json").output)
        for heading in ("Settings", "Readings", "Needs"):
            assert f"\n{heading}\n" in text
        for reading in as_data["readings"]:
            assert reading["name"] in text
            if reading["kind"] == "number":
                assert reading["unit"]
        outside_example = text.partition("\nExample\n")[0]
        assert max(map(len, outside_example.splitlines())) <= 80
    assert [probe["name"] for probe in json.loads(run("probes", "--json").output)] == names


def test_setting_is_described_by_the_text_below_its_field() -> None:
    (path, *_) = json.loads(run("probes", "usb.device", "--json").output)["settings"]
    assert path["name"] == "path"
    assert path["needed"] is True
    assert path["takes"] == "text"
    assert "Physical path" in path["what"]


def test_every_example_of_a_probe_is_a_check_that_lint_takes(tmp_path: Path) -> None:
    head = 'schema = 1\nmodel = "m"\ntitle = "t"\nrevision = 1\n'
    head += '[parts.board]\ntitle = "t"\nfasteners = { m3x6 = 4 }\n'
    for probe in json.loads(run("probes", "--json").output):
        checks = tomllib.loads(probe["example"])["checks"]
        joints = {joint for check in checks for joint in check.get("covers", [])}
        text = head + "".join(f'[joints.{joint}]\ntitle = "t"\n' for joint in sorted(joints)) + probe["example"]
        path = tmp_path / "example.toml"
        path.write_text(text)
        result = run("lint", str(path))
        assert result.return_value == 0, result.output


def test_unknown_probe_names_the_nearest() -> None:
    result = run("probes", "usb.devise")
    assert isinstance(result.exception, VerifierError)
    assert 'Did you mean "usb.device"?' in str(result.exception)
