"""After sealing, as people type it: amend, and what report, runs, audit and trends then say."""

from __future__ import annotations

import json
import re
import shutil
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parent))
from bench import SUITE, Bench

from verifier.commands.main import cli
from verifier.store.disk import write_aside
from verifier.store.records import tallies


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """Two sealed runs of one unit. Tests work on copies."""
    bench = Bench(tmp_path_factory.mktemp("bench"))
    assert bench.run("--answers", "answers.toml", "--replaced", "io-board").returncode == 0
    bench.write("suite.toml", SUITE.replace("at_least = 1000", "at_least = 100"))
    assert bench.run("--answers", "answers.toml").returncode == 0
    return bench


@pytest.fixture
def bench(sealed: Bench, tmp_path: Path) -> Bench:
    shutil.copytree(sealed.folder, tmp_path / "bench")
    return Bench(tmp_path / "bench")


def runs(bench: Bench) -> list[str]:
    return sorted(folder.name for folder in (bench.station / "runs").iterdir())


def amend(bench: Bench, run: str, *words: str) -> None:
    done = bench.command("amend", run, *words, "--why", "as seen later", "--technician", "Q01")
    assert done.returncode == 0, done.stderr


def test_a_correction_is_sealed_rendered_listed_and_audited(bench: Bench) -> None:
    first, _ = runs(bench)
    amend(bench, first, "--correct", "ticket=BF-26-00017", "--correct", "io-board.lot=2240")
    folder = bench.station / "runs" / first
    report = (folder / "report.simulated.html").read_text("utf-8")
    assert "BF-26-00017" in report
    assert "Amended after sealing" in report
    assert "BF-26-00017" in bench.command("runs").stdout
    done = bench.command("audit", str(folder), "--json")
    assert done.returncode == 0, done.stdout
    files = {Path(f["path"]).name: f for f in json.loads(done.stdout)["files"]}
    assert set(files) == {"report.simulated.html", "sealed.simulated.json", "001.json"}
    assert files["sealed.simulated.json"]["standing"] == "corrected"
    assert files["sealed.simulated.json"]["amendments"][0]["fields"] == ["ticket", "io-board.lot"]
    assert files["001.json"]["amends"] == files["sealed.simulated.json"]["record_sha256"]


def test_a_superseded_run_says_by_which_everywhere_and_counts_no_more(bench: Bench) -> None:
    first, second = runs(bench)
    store = bench.station / "store.db"
    before = {t.check: t.judged for t in tallies(store, "marrowby-quayside", simulated=True)}
    amend(bench, first, "--superseded-by", second)
    assert {t.check: t.judged for t in tallies(store, "marrowby-quayside", simulated=True)} == {
        check: judged - 1 for check, judged in before.items()
    }
    bench.command("store", "rebuild")
    assert {t.check: t.judged for t in tallies(store, "marrowby-quayside", simulated=True)} == {
        check: judged - 1 for check, judged in before.items()
    }
    report = (bench.station / "runs" / first / "report.simulated.html").read_text("utf-8")
    assert f"<h1><bdi>Superseded by run {second}: as seen later.</bdi></h1>" in report
    rows = {row["run"]: row for row in json.loads(bench.command("runs", "--json").stdout)}
    assert rows[first]["state"] == "superseded"
    assert second in rows[first]["note"]
    assert rows[second]["state"] == "release"
    report_alone = bench.command("audit", str(bench.station / "runs" / first / "report.simulated.html"))
    assert f"SUPERSEDED BY run {second}" in report_alone.stdout


def test_a_report_that_left_the_station_carries_its_amendment(bench: Bench, tmp_path: Path) -> None:
    first, _ = runs(bench)
    amend(bench, first, "--void")
    done = bench.command("report", first, "--out", str(tmp_path / "mailed.html"))
    assert done.returncode == 0
    assert "VOIDED" in bench.command("audit", str(tmp_path / "mailed.html")).stdout


def test_the_customers_page_withholds_names_and_its_seal_is_good(bench: Bench) -> None:
    first, _ = runs(bench)
    done = bench.command("report", first, "--for", "customer")
    page = bench.station / "runs" / first / "customer.simulated.html"
    assert str(page) in done.stdout
    assert not re.search(r"(?<![\w-])T07(?![\w-])", page.read_text("utf-8"))
    audited = json.loads(bench.command("audit", str(page), "--json").stdout)["files"][0]
    assert (audited["status"], audited["withheld"]) == ("unaltered", 1)
    whole = bench.command("audit", str(page.parent))
    assert whole.returncode == 0, "it belongs to the record beside it"
    amend(bench, first, "--void")
    said = bench.command(
        "amend", first, "--superseded-by", runs(bench)[1], "--why", "x", "--technician", "Q01"
    ).stdout
    assert "--for customer" in said, "the page that the customer may have is still the old one"
    bench.command("report", first, "--for", "customer")
    assert "<h1>Withdrawn</h1>" in page.read_text("utf-8")
    assert "Q01" not in page.read_text("utf-8")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "nothing is said that is to be amended"),
        (("--void", "--correct", "ticket=1"), "does one thing"),
        (("--correct", "ticket"), "has no value"),
        (("--correct", "ticket=1", "--correct", "ticket=2"), "named twice"),
        (("--correct", "lan-speed=pass"), "Findings are never corrected"),
        (("--superseded-by", "20200101T000000Z-nobody"), "there is no sealed run"),
    ],
)
def test_bad_wishes_are_exit_2_with_words_and_seal_nothing(
    sealed: Bench, words: tuple[str, ...], said: str
) -> None:
    first = runs(sealed)[0]
    done = sealed.command("amend", first, *words, "--why", "x", "--technician", "Q01")
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not list((sealed.station / "runs" / first).glob("amendments/*.json"))


def test_nothing_is_sealed_about_a_record_that_does_not_verify(bench: Bench) -> None:
    first, _ = runs(bench)
    file = bench.station / "runs" / first / "sealed.simulated.json"
    file.write_bytes(file.read_bytes().replace(b'"value":"T07"', b'"value":"T08"'))
    done = bench.command("amend", first, "--void", "--why", "x", "--technician", "Q01")
    assert done.returncode == 2
    assert "does not verify" in done.stderr


def test_after_a_key_was_retired_old_and_new_are_good_and_go_on(bench: Bench, tmp_path: Path) -> None:
    first, second = runs(bench)
    amend(bench, first, "--superseded-by", second)
    assert bench.command("keys", "retire", "simulated").returncode == 2, "nobody is there to say yes"
    done = bench.command("keys", "retire", "simulated", "--yes")
    assert done.returncode == 0, done.stderr
    assert "at 3 records" in done.stdout
    assert bench.run("--answers", "answers.toml").returncode == 0
    third = runs(bench)[2]
    records = [str(bench.station / "runs" / run / "sealed.simulated.json") for run in (first, second, third)]
    audited = bench.command("audit", *records)
    assert audited.returncode == 0, audited.stdout
    assert "SUPERSEDED BY" in audited.stdout
    # A report of before says so, until it is rendered again; and then it is good where there is no ledger, too.
    assert bench.command("audit", str(bench.station / "runs" / first)).returncode == 1
    amend(bench, second, "--superseded-by", third)
    customers = bench.station / "runs" / first / "customer.simulated.html"
    bench.command("report", first, "--for", "customer")
    customers.write_text("spoilt")
    assert "verifier report --all" in done.stdout
    again = bench.command("report", "--all")
    assert again.returncode == 0 and again.stdout == "3 of 3 reports rendered again.\n"
    assert bench.command("audit", str(bench.station / "runs")).returncode == 0
    assert "<html" in customers.read_text("utf-8")
    assert not list((bench.station / "runs" / second).glob("customer*")), "no page that was not there before"
    keys = tmp_path / "keys.json"
    keys.write_text(bench.command("keys", "export").stdout)
    elsewhere = Bench(tmp_path)
    for run, by in ((first, second), (second, third)):
        report = bench.station / "runs" / run / "report.simulated.html"
        copied = tmp_path / f"{run}.html"
        shutil.copy(report, copied)
        alone = elsewhere.command("audit", str(copied), "--trust", str(keys))
        assert alone.returncode == 0, alone.stdout
        assert f"SUPERSEDED BY run {by}" in alone.stdout
    shutil.copy(bench.station / "runs" / first / "sealed.simulated.json", tmp_path / "one.json")
    alone = elsewhere.command("audit", str(tmp_path / "one.json"), "--trust", str(keys))
    assert alone.returncode == 1
    assert "signature good, not shown to predate" in alone.stdout


def test_one_that_cannot_be_rendered_keeps_none_of_the_others_from_it(bench: Bench) -> None:
    first, second = runs(bench)
    (bench.station / "runs" / second / "sealed.simulated.json").write_text("{")
    page = bench.station / "runs" / first / "report.simulated.html"
    page.write_text("spoilt")
    done = bench.command("report", "--all")
    assert done.returncode == 2 and done.stdout == "1 of 2 reports rendered again.\n"
    assert f"{second}: " in done.stderr and first not in done.stderr
    assert bench.command("audit", str(page)).returncode == 0


def test_rendering_all_is_interrupted_between_two(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = runs(bench)
    pages = [bench.station / "runs" / run / "report.simulated.html" for run in (first, second)]
    for page in pages:
        page.write_text("of before")
    real = write_aside

    def once(target: Path, content: bytes) -> None:
        if target == pages[0]:
            raise KeyboardInterrupt
        real(target, content)

    monkeypatch.setattr("verifier.store.disk.write_aside", once)
    done = CliRunner().invoke(cli, ["report", "--all", "--station", str(bench.station)], standalone_mode=False)
    assert done.return_value == 1
    assert "Interrupted: 1 of 2 reports are new. `verifier report --all` begins again." in done.output
    assert pages[0].read_text() == "of before" and "<html" in pages[1].read_text("utf-8")


@pytest.mark.parametrize("words", [[], ["20261125T101512Z-aaaaaa", "--all"], ["--all", "--for", "customer"]])
def test_report_wants_one_run_or_all(words: list[str]) -> None:
    assert CliRunner().invoke(cli, ["report", *words]).exit_code == 2
