import json
import runpy
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from verifier.commands.audit import audit
from verifier.commands.keys import keys
from verifier.errors import InputError
from verifier.seal.keys import load_or_create
from verifier.seal.page import seal_page
from verifier.seal.sealing import seal_run

SAMPLE = runpy.run_path(str(Path(__file__).parents[1] / "seal" / "sample_record.py"))


@pytest.fixture
def station(tmp_path):
    """A station folder with one sealed run and its report."""
    root = tmp_path / "station"
    key, _ = load_or_create(root / "keys", "station")
    folder = root / "runs" / "20261125T101512Z-k3v9qd"
    folder.mkdir(parents=True)
    record, disclosed = SAMPLE["sample_record"](key)
    sealed = seal_run(record, disclosed, key, root / "ledger", folder / "sealed.json")
    (folder / "report.html").write_bytes(seal_page(SAMPLE["small_front"](sealed.raw), sealed.raw, key, "x"))
    return root


def run(command, *arguments):
    return CliRunner().invoke(command, [str(a) for a in arguments])


def test_the_station_knows_its_own_keys(station):
    result = run(audit, station / "runs", "--station", station)
    assert result.exit_code == 0
    assert result.output.count("unaltered since sealed by bench-1 (key ") == 2
    assert "marrowby-quayside QS-2004174, rework" in result.output


def test_elsewhere_every_signer_is_unknown_until_a_trust_file_is_given_and_nothing_is_created(station, tmp_path):
    nowhere = tmp_path / "nowhere"
    result = run(audit, station / "runs", "--station", nowhere)
    assert result.exit_code == 1
    assert "unknown signer" in result.output
    assert "--trust FILE" in result.output
    trust = tmp_path / "trust.json"
    trust.write_text(run(keys, "export", "--station", station, "--name", "bench-1").output)
    result = run(audit, station / "runs", "--station", nowhere, "--trust", trust)
    assert result.exit_code == 0
    assert not nowhere.exists()


def test_an_altered_report_is_named_and_the_exit_code_says_so(station):
    report = next(station.glob("runs/*/report.html"))
    report.write_bytes(report.read_bytes().replace(b"rework", b"release"))
    result = run(audit, report, "--station", station)
    assert result.exit_code == 1
    assert f"{report}: ALTERED: page: what the page shows is not what was sealed" in result.output
    assert "record unaltered" in result.output


def test_json_for_programs(station):
    result = run(audit, station / "runs", "--station", station, "--json")
    files = json.loads(result.stdout)["files"]
    assert [f["kind"] for f in files] == ["report", "record"]
    assert {f["status"] for f in files} == {"unaltered"}
    assert all(f["key_trusted"] and f["station"] == "bench-1" and f["role"] == "station" for f in files)


@pytest.mark.parametrize("what", ["missing.json", "."])
def test_nothing_to_audit_is_exit_code_2(tmp_path, what):
    assert run(audit, tmp_path / what, "--station", tmp_path / "none").exit_code == 2


def test_a_trust_file_that_cannot_be_used_is_an_input_error(station, tmp_path):
    (tmp_path / "trust.json").write_text('{"keys":[{}]}')
    result = run(audit, station, "--trust", tmp_path / "trust.json")
    assert isinstance(result.exception, InputError)


def test_a_key_that_others_may_read_is_not_believed(station):
    (station / "keys/station.pem").chmod(0o644)
    result = run(audit, station / "runs", "--station", station)
    assert result.exit_code == 1
    assert "not believed" in result.output


def test_file_names_cannot_write_into_the_terminal(station, tmp_path):
    name = tmp_path / "a\x1b[2J\u202e.json"
    shutil.copy(next(station.glob("runs/*/sealed.json")), name)
    result = run(audit, name, "--station", station)
    assert result.exit_code == 0
    assert "\x1b" not in result.output
    assert "\u202e" not in result.output


def test_audit_writes_nothing(station):
    before = sorted((p, p.stat().st_mtime_ns) for p in station.rglob("*"))
    run(audit, station, "--station", station)
    assert sorted((p, p.stat().st_mtime_ns) for p in station.rglob("*")) == before
