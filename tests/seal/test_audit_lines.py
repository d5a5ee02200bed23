import os
import shutil

import pytest

from verifier.seal.audit import audit
from verifier.seal.keys import load_or_create
from verifier.seal.page import seal_page
from verifier.seal.sealing import seal_run
from verifier.seal.trust import TrustList
from verifier.seal.verify import Status


@pytest.fixture
def runs(bench, tmp_path):
    """A copy of the bench's runs that a test may spoil."""
    return shutil.copytree(bench.root / "runs", tmp_path / "runs")


def found(paths, trust):
    result = audit(paths, trust)
    return {line.path.name: line.status for line in result.lines}, result.exit_code


def test_a_folder_of_runs_is_audited_whole(bench, runs):
    result = audit([runs], bench.trust)
    assert len(result.lines) == 6
    assert {line.status for line in result.lines} == {Status.UNALTERED}
    assert result.exit_code == 0
    line = result.lines[0]
    assert line.sentence == f"unaltered since sealed by bench-1 (key {bench.key.thumbprint})"
    assert (line.kind, line.serial, line.disposition) == ("report", "QS-2004174", "rework")


def test_one_altered_file_among_many_is_named_with_its_part(bench, runs):
    victim = next(runs.glob("*bbbbbb/sealed.json"))
    victim.write_bytes(victim.read_bytes().replace(b'"T11"', b'"T12"'))
    result = audit([runs], bench.trust)
    assert result.exit_code == 1
    (bad,) = [line for line in result.lines if line.status is not Status.UNALTERED]
    assert bad.path == victim
    assert "disclosed fields" in bad.sentence


def test_words_of_a_file_that_is_not_trusted_are_not_repeated(bench, runs):
    line = audit([next(runs.glob("*aaaaaa/sealed.json"))], TrustList()).lines[0]
    assert line.status is Status.UNKNOWN_SIGNER
    assert (line.run, line.serial, line.disposition, line.signer) == ("", "", "", None)
    assert line.kid == bench.key.thumbprint


def test_a_report_and_a_record_that_lie_together_must_be_of_one_run(bench, runs):
    folder = next(runs.glob("*aaaaaa"))
    shutil.copy(next(runs.glob("*bbbbbb")) / "report.html", folder)
    result = audit([folder], bench.trust)
    assert {line.status for line in result.lines} == {Status.MISMATCH}
    assert "of another run" in result.lines[0].sentence
    assert result.exit_code == 1


def test_two_different_records_of_one_run_do_not_belong_together(bench, sample, runs, tmp_path):
    folder = next(runs.glob("*aaaaaa"))
    record, disclosed = sample.record(bench.key, run=folder.name)
    other = seal_run(record, disclosed, bench.key, tmp_path / "second ledger", tmp_path / "other.json")
    page = seal_page(sample.front(other.raw), other.raw, bench.key, "x")
    (folder / "copy.html").write_bytes(page)
    result = audit([folder / "copy.html", folder / "sealed.json"], bench.trust)
    assert {line.status for line in result.lines} == {Status.MISMATCH}
    assert "another record of the same run" in result.lines[0].sentence


def test_a_copy_with_names_withheld_still_belongs_to_its_report(bench, runs):
    folder = next(runs.glob("*aaaaaa"))
    (folder / "sealed.json").write_bytes(bench.runs[0].sealed.withhold())
    result = audit([folder], bench.trust)
    assert result.exit_code == 0
    assert sorted(line.withheld for line in result.lines) == [0, 2]


def test_reports_of_many_runs_in_one_folder_are_matched_by_run(bench, runs, tmp_path):
    (tmp_path / "flat").mkdir()
    for folder in runs.iterdir():
        shutil.copy(folder / "report.html", tmp_path / "flat" / f"{folder.name}.html")
        shutil.copy(folder / "sealed.json", tmp_path / "flat" / f"{folder.name}.json")
    assert set(found([tmp_path / "flat"], bench.trust)[0].values()) == {Status.UNALTERED}


def test_other_files_in_a_folder_are_listed_and_do_not_count(bench, runs):
    (runs / "trust.json").write_text('{"keys":[]}')
    (runs / "notes.html").write_text("<html></html>")
    result = audit([runs], bench.trust)
    assert {path.name for path in result.skipped} == {"trust.json", "notes.html"}
    assert result.exit_code == 0


def test_a_file_with_a_runs_name_is_never_passed_over(bench, runs):
    folder = next(runs.glob("*aaaaaa"))
    (folder / "report.html").write_text("<html>release</html>")
    (folder / "sealed.json").write_text("{}")
    statuses, code = found([runs], bench.trust)
    assert statuses["report.html"] in set(Status) - {Status.UNALTERED} or code == 1
    assert found([folder], bench.trust) == (
        {"report.html": Status.ALTERED, "sealed.json": Status.ALTERED},
        1,
    )


def test_one_flipped_bit_does_not_make_a_renamed_record_pass_as_something_else(bench, tmp_path):
    raw = bench.runs[0].sealed.raw
    for mark in (b'"record"', b'"receipt"', b'"disclosed"'):
        path = tmp_path / "QS-2004174.json"
        path.write_bytes(raw.replace(mark, mark.upper()))
        assert found([tmp_path], bench.trust) == ({path.name: Status.ALTERED}, 1)


def test_what_cannot_be_read(bench, runs, tmp_path):
    os.mkfifo(tmp_path / "pipe.json")
    (tmp_path / "other.json").write_text("{}")
    (tmp_path / "empty").mkdir()
    with (tmp_path / "huge.json").open("wb") as huge:
        huge.truncate(25_000_000)
    names = ("missing.json", "pipe.json", "other.json", "empty", "huge.json")
    statuses, code = found([tmp_path / name for name in names], bench.trust)
    assert statuses == dict.fromkeys(names, Status.UNREADABLE)
    assert code == 2
    assert found([tmp_path / "missing.json", runs], bench.trust)[1] == 2
    victim = next(runs.glob("*/sealed.json"))
    victim.write_bytes(victim.read_bytes()[:-5])
    assert found([tmp_path / "missing.json", runs], bench.trust)[1] == 1
    assert audit([], bench.trust).exit_code == 2


def test_simulated_evidence_is_called_so(bench, sample, tmp_path):
    key, _ = load_or_create(tmp_path / "keys", "simulated")
    record, disclosed = sample.record(key)
    seal_run(record, disclosed, key, tmp_path / "ledger", tmp_path / "sealed.json")
    result = audit([tmp_path / "sealed.json"], TrustList.of([key]))
    assert result.exit_code == 0
    assert "simulated: no real unit" in result.lines[0].sentence


def test_a_report_whose_record_is_altered_says_which_part(bench, runs):
    report = next(runs.glob("*aaaaaa/report.html"))
    report.write_bytes(report.read_bytes().replace(b"rework: an edge", b"release: no edge"))
    line = audit([report], bench.trust).lines[0]
    assert line.status is Status.ALTERED
    assert {p.name: p.status for p in line.parts}["record"] is Status.UNALTERED
    assert "page: what the page shows is not what was sealed" in line.sentence


def test_linked_folders_are_not_followed(bench, runs, tmp_path):
    (runs / "round").symlink_to(runs)
    assert len(audit([runs], bench.trust).lines) == 6
