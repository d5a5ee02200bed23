"""Whatever is handed over, there is an answer or a sentence: no traceback, no hang.

Here is what no test beside the code itself covers; the list of all of them stands in DEVELOPERS.md. Words of a
person's commands meet the same boundary (`commands/main.py`), which lets only errors through that are words.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from altered import altered, altered_bytes, no_hang, to_toml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from whole_runs import ANSWERS, SUITE, WHOLE, in_child, prepare, run

from verifier.declare.answers import load_answers
from verifier.declare.lint import LoadedSuite, load_suite
from verifier.declare.order_file import load_order
from verifier.declare.suite import Suite
from verifier.errors import VerifierError
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.journal import FIRST, Journal, line_hash, read
from verifier.gather.simulated.description import load_description
from verifier.gather.state import replay
from verifier.seal import Sealed, TrustList, audit, load_all, open_sealed
from verifier.seal import jws as jwss
from verifier.seal.audit import audit_file
from verifier.seal.verify import check_sealed
from verifier.shipped import find_suite

ORDER = """
ticket = "BF-26-01847"
model = "marrowby-quayside"
serial = "QS-2004174"
complaint = "no picture"
technician = "T07"
[[replaced]]
part = "io-board"
lot = "2231"
[fasteners]
rear-cover = { removed = 4, fitted = 4 }
"""

keeping_files = settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])


def answers(reader: Callable[[], object]) -> None:
    """It gives something back, or says what is wrong in words."""
    with no_hang():
        try:
            reader()
        except VerifierError as error:
            assert str(error).strip()


SUITE_HERE = Suite.model_validate(tomllib.loads(SUITE))
UNIT = (find_suite("marrowby-quayside").parent / "unit.toml").read_text("utf-8")
READERS: dict[str, tuple[str, Callable[[Path], object]]] = {
    "suite": (SUITE, lambda path: load_suite(path, load_catalogue())),
    "order": (ORDER, lambda path: load_order(path, SUITE_HERE)),
    "answers": (ANSWERS, lambda path: load_answers(path, SUITE_HERE)),
    "simulated unit": (UNIT, load_description),
}


def _meant(read: object) -> object:
    """Without the places of what was read: those are of the file, not of what it says."""
    return read.suite if isinstance(read, LoadedSuite) else read


@pytest.mark.parametrize("kind", READERS)
def test_the_unaltered_ones_are_read(kind: str, tmp_path: Path) -> None:
    text, reader = READERS[kind]
    (tmp_path / "file.toml").write_text(text)
    as_written = reader(tmp_path / "file.toml")
    (tmp_path / "file.toml").write_text(to_toml(tomllib.loads(text)))
    assert _meant(reader(tmp_path / "file.toml")) == _meant(as_written)


@pytest.mark.parametrize("kind", READERS)
@keeping_files
@given(data=st.data())
def test_any_toml_in_its_place(kind: str, data: st.DataObject, tmp_path: Path) -> None:
    text, reader = READERS[kind]
    path = tmp_path / "file.toml"
    path.write_text(to_toml(data.draw(altered(tomllib.loads(text)))))
    answers(lambda: reader(path))


@pytest.mark.parametrize("kind", READERS)
@keeping_files
@given(data=st.data())
def test_any_bytes_in_its_place(kind: str, data: st.DataObject, tmp_path: Path) -> None:
    text, reader = READERS[kind]
    path = tmp_path / "file.toml"
    path.write_bytes(data.draw(altered_bytes(text.encode())))
    answers(lambda: reader(path))


# ---- a sealed run ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sealed_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of one whole run; its station is two folders up."""
    folder = tmp_path_factory.mktemp("whole")
    prepare(folder)
    child = in_child(run, folder)
    assert child.code == WHOLE, child.words
    (found,) = (folder / "station" / "runs").iterdir()
    return found


def record_of(sealed_run: Path) -> Path:
    (found,) = sealed_run.glob("sealed*.json")
    return found


def trust_of(sealed_run: Path) -> TrustList:
    return TrustList.of(load_all(sealed_run.parents[1] / "keys"))


def chained(bodies: list[Any]) -> bytes:
    """A journal whose hashes are all good, whatever it says: they need no key."""
    last, lines = FIRST, []
    for body in bodies:
        data = json.dumps(body).encode()
        last = line_hash(last, data)
        lines.append(last.encode() + b" " + data + b"\n")
    return b"".join(lines)


@keeping_files
@given(data=st.data())
def test_any_journal_with_good_hashes(data: st.DataObject, sealed_run: Path, tmp_path: Path) -> None:
    """Everything up to the state is done that `resume` does before it takes a reading."""
    bodies = [json.loads(line[65:]) for line in (sealed_run / "journal").read_bytes().splitlines()]
    changed = data.draw(altered(bodies))
    path = tmp_path / "journal"
    path.write_bytes(chained(changed))

    def taken_up() -> None:
        journal, _ = Journal.reopen(path, RealClocks())
        journal.close()
        replay(read(path).events)

    answers(taken_up)


@keeping_files
@given(data=st.data())
def test_any_bytes_as_sealed_record_and_as_report(data: st.DataObject, sealed_run: Path, tmp_path: Path) -> None:
    trust = trust_of(sealed_run)
    (report,) = sealed_run.glob("report*.html")
    for original in (record_of(sealed_run), report):
        good = original.read_bytes()
        changed = data.draw(altered_bytes(good))
        path = tmp_path / original.name
        path.write_bytes(changed)
        with no_hang():
            found = audit([path], trust)
        assert found.exit_code != 0 or changed == good
        assert all(line.sentence for line in found.lines)


@keeping_files
@given(data=st.data())
def test_any_record_that_a_trusted_key_has_signed(data: st.DataObject, sealed_run: Path, tmp_path: Path) -> None:
    """A station may run a broken or a later version: its seal is good, and what it sealed is anything."""
    (key,) = load_all(sealed_run.parents[1] / "keys")
    trust = TrustList.of([key])
    envelope = json.loads(record_of(sealed_run).read_bytes())
    payload = json.loads(jwss.unb64u(envelope["record"].split(".")[1]))
    changed = data.draw(altered(payload))
    text = json.dumps(changed, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    envelope["record"] = key.sign(text.encode(), jwss.Typ.RECORD)
    if data.draw(st.booleans()):
        envelope = data.draw(altered(envelope))
    raw = json.dumps(envelope, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode(
        "utf-8", "replace"
    )
    raw += b"\n"
    path = tmp_path / record_of(sealed_run).name
    path.write_bytes(raw)
    with no_hang():
        check_sealed(raw, trust)
        line = audit_file(path, trust)
        assert line is None or line.sentence

    def shown() -> None:
        sealed: Sealed = open_sealed(raw)
        from verifier.show import render_front

        render_front(sealed.record, sealed.disclosed, raw, fingerprint=key.thumbprint, digest=sealed.digest)

    answers(shown)


@keeping_files
@given(data=st.data())
def test_any_trust_list(data: st.DataObject, sealed_run: Path) -> None:
    from verifier.seal import key_set

    good = json.loads(json.dumps(key_set(load_all(sealed_run.parents[1] / "keys"))))
    text = json.dumps(data.draw(altered(good)))
    answers(lambda: TrustList.parse(text.encode("utf-8", "replace")))


RECORDING = {
    "errors.json": {"/sys/class/net/eth1/speed": "EINVAL", "/proc/uptime": "EIO"},
    "commands/uname.json": {"argv": ["uname", "-m"], "exit": 0, "stdout": "x86_64\n"},
}


@pytest.mark.parametrize("name", RECORDING)
@keeping_files
@given(data=st.data())
def test_any_json_beside_a_recorded_tree(name: str, data: st.DataObject, tmp_path: Path) -> None:
    """The tree itself: tests/gather/probes/test_hostile_trees.py."""
    path = tmp_path / name
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps(data.draw(altered(RECORDING[name]))))
    answers(lambda: open_host(f"recorded:{tmp_path}", RealClocks()))
