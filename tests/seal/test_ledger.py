import json
import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from verifier.errors import SealError
from verifier.seal import ledger as ledgers
from verifier.seal import merkle
from verifier.seal.jws import Typ, take_apart
from verifier.seal.keys import load_or_create
from verifier.seal.sealing import read_sealed, seal_run
from verifier.seal.trust import TrustList
from verifier.seal.verify import Status, check_sealed


class Bench:
    def __init__(self, root, sample):
        self.root, self.sample = root, sample
        self.key, _ = load_or_create(root / "keys", "station")

    def target(self, run):
        return self.root / "runs" / run / "sealed.json"

    def seal(self, run):
        record, disclosed = self.sample.record(self.key, run=run)
        self.target(run).parent.mkdir(parents=True, exist_ok=True)
        return seal_run(record, disclosed, self.key, self.root / "ledger", self.target(run))

    @property
    def heads(self):
        lines = (self.root / "ledger/station/heads").read_text().splitlines()
        return [json.loads(take_apart(line, Typ.HEAD).verify(self.key.public)) for line in lines]

    def check(self, *sealed):
        """Every one verifies, they stand in the ledger in this order, and the ledger holds nothing else."""
        trust = TrustList.of([self.key])
        assert [check_sealed(s.raw, trust).status for s in sealed] == [Status.UNALTERED] * len(sealed)
        assert [s.receipt.index for s in sealed] == list(range(len(sealed)))
        assert [s.record.ledger.index for s in sealed] == list(range(len(sealed)))
        leaves = [merkle.leaf_hash(s.envelope.record.encode()) for s in sealed]
        entries = []
        for size, leaf in enumerate(leaves):
            entries += merkle.Tree(size, entries.__getitem__).appended(leaf)
        assert (self.root / "ledger/station/tree").read_bytes() == b"".join(entries)
        assert [head["size"] for head in self.heads] == list(range(1, len(sealed) + 1))
        for head in self.heads:
            assert head["root"] == merkle.Tree(head["size"], entries.__getitem__).root().hex()
        assert not (self.root / "ledger/station/pending").exists()
        before = [None, *(s.receipt.head for s in sealed)]
        assert [s.record.ledger.head for s in sealed] == before[:-1]


@pytest.fixture
def station(tmp_path, sample):
    return Bench(tmp_path, sample)


def test_records_enter_the_ledger_one_after_the_other(station):
    station.check(*[station.seal(f"run-{n}") for n in range(9)])


def test_sealing_a_sealed_run_again_gives_what_stands_there(station):
    first = station.seal("one")
    record, disclosed = station.sample.record(station.key, run="one", station="renamed since")
    again = seal_run(record, disclosed, station.key, station.root / "ledger", station.target("one"))
    assert again.raw == first.raw == station.target("one").read_bytes()
    station.check(first)


def test_what_is_sealed_is_the_record_that_was_handed_in(station):
    record, disclosed = station.sample.record(station.key, run="one")
    station.target("one").parent.mkdir(parents=True)
    sealed = seal_run(record, disclosed, station.key, station.root / "ledger", station.target("one"))
    assert sealed.record.model_copy(update={"ledger": None}) == record
    assert sealed.disclosed == disclosed
    assert read_sealed(station.target("one")) == sealed


def test_roles_have_ledgers_of_their_own(station):
    station.seal("real")
    key, _ = load_or_create(station.root / "keys", "simulated")
    record, disclosed = station.sample.record(key, run="not real")
    target = station.root / "simulated.json"
    sealed = seal_run(record, disclosed, key, station.root / "ledger", target)
    assert sealed.receipt.index == 0
    assert {p.name for p in (station.root / "ledger").iterdir()} == {"station", "simulated"}


def test_a_record_is_sealed_only_under_its_own_role_and_key(station, tmp_path):
    simulated, _ = load_or_create(tmp_path / "keys", "simulated")
    record, disclosed = station.sample.record(simulated)
    with pytest.raises(SealError, match="role simulated cannot be sealed with the key for station"):
        seal_run(record, disclosed, station.key, tmp_path / "ledger", tmp_path / "x.json")
    other, _ = load_or_create(tmp_path / "other", "station")
    record, disclosed = station.sample.record(other)
    with pytest.raises(SealError, match="another key"):
        seal_run(record, disclosed, station.key, tmp_path / "ledger", tmp_path / "x.json")
    assert not (tmp_path / "ledger").exists()


def test_a_value_that_is_not_in_the_record_is_not_put_beside_it(station):
    record, disclosed = station.sample.record(station.key, run="one")
    _, foreign = station.sample.record(station.key, run="two")
    with pytest.raises(SealError, match="not in the record"):
        seal_run(record, disclosed | foreign, station.key, station.root / "ledger", station.root / "x.json")
    assert not (station.root / "x.json").exists()
    station.check(station.seal("after"))


@pytest.mark.parametrize("value", [float("nan"), float("-inf"), 2**60, "\ud800"])
def test_what_an_audit_would_refuse_is_not_sealed(station, value):
    record, disclosed = station.sample.record(station.key, run="one")
    check = record.checks[0].model_copy(update={"settings": {"odd": value}})
    with pytest.raises(SealError):
        seal_run(
            record.model_copy(update={"checks": (check,)}),
            disclosed,
            station.key,
            station.root / "ledger",
            station.root / "x.json",
        )
    station.check(station.seal("after"))


def test_a_foreign_file_in_the_place_of_the_sealed_record_is_not_taken_for_it(station):
    other = station.seal("other")
    station.target("one").parent.mkdir(parents=True)
    station.target("one").write_bytes(other.raw)
    with pytest.raises(SealError, match="did not seal for this run"):
        station.seal("one")
    station.target("one").write_bytes(b"{}")
    with pytest.raises(SealError, match="verifier audit"):
        station.seal("one")
    station.target("one").unlink()
    station.check(other, station.seal("one"))


@pytest.fixture(scope="module")
def killed(tmp_path_factory, sample):
    """Copies of one station with two sealed runs, each after a seal that was killed at its Nth file operation."""
    root = tmp_path_factory.mktemp("killing")
    bench = Bench(root / "bench", sample)
    earlier = [bench.seal("run-0"), bench.seal("run-1")]
    (root / "out").mkdir()
    script = Path(__file__).with_name("killing.py")
    done = subprocess.run(
        [sys.executable, script, root / "bench", root / "out"], capture_output=True, text=True, check=True
    )
    return earlier, root / "out", int(done.stdout)


def test_killed_at_any_file_operation_the_next_start_completes_the_seal(killed, sample, tmp_path):
    earlier, out, operations = killed
    assert operations >= 14  # 4 writes, 7 flushes, 2 swaps, 1 removal
    for number in range(1, operations + 1):
        station = Bench(shutil.copytree(out / str(number), tmp_path / str(number)), sample)
        pending = station.root / "ledger/station/pending"
        signed = json.loads(pending.read_bytes())["record"] if pending.exists() else None
        record, disclosed = sample.record(station.key, run="the-run")
        target = station.root / "run/sealed.json"
        stood = target.read_bytes() if target.exists() else None
        sealed = seal_run(record, disclosed, station.key, station.root / "ledger", target)
        assert signed in (None, sealed.envelope.record), f"signed twice after operation {number}"
        assert stood in (None, sealed.raw)
        station.check(*earlier, sealed, station.seal("next"))


def test_killed_at_any_file_operation_the_seal_of_another_run_completes_it(killed, sample, tmp_path):
    earlier, out, operations = killed
    completed = 0
    for number in range(1, operations + 1):
        # The station's folder has been moved meanwhile, so the place for the file is gone.
        station = Bench(shutil.copytree(out / str(number), tmp_path / str(number)), sample)
        pending = (station.root / "ledger/station/pending").exists()
        shutil.rmtree(out / str(number) / "run", ignore_errors=True)
        other = station.seal("other")
        if not pending:
            # Sealed in full before the kill, or not begun at all.
            target = station.root / "run/sealed.json"
            station.check(*earlier, *([read_sealed(target)] if target.exists() else []), other)
            continue
        completed += 1
        record, disclosed = sample.record(station.key, run="the-run")
        late = station.root / "late.json"
        sealed = seal_run(record, disclosed, station.key, station.root / "ledger", late)
        station.check(*earlier, sealed, other)
        assert not list((station.root / "ledger/station/unplaced").iterdir())
    assert completed >= 8


class PowerCut(BaseException):
    pass


class Disk:
    """What a power cut leaves: of each file the bytes at its last flush, of each folder the names at its own."""

    def __init__(self, root, monkeypatch, cut_at):
        self.root, self.left = root, cut_at
        self.names, self.content, self.held = {}, {}, []
        for folder, _, _ in os.walk(root):
            self._flush_folder(Path(folder))
            for file in self._files(Path(folder)):
                self._flush_file(file)
        for name in ("write", "fsync", "replace", "unlink", "ftruncate"):
            monkeypatch.setattr(os, name, self._counted(name, getattr(os, name)))

    def _counted(self, name, real):
        def call(*args):
            self.left -= 1
            if self.left == 0:
                raise PowerCut
            if name != "fsync":
                return real(*args)
            path = Path(f"/proc/self/fd/{args[0]}").readlink()
            return self._flush_folder(path) if path.is_dir() else self._flush_file(path)

        return call

    @staticmethod
    def _files(folder):
        return [file for file in folder.iterdir() if file.is_file()]

    def _flush_folder(self, folder):
        self.names[folder] = {file.name: file.stat().st_ino for file in self._files(folder)}

    def _flush_file(self, file):
        self.held.append(file.open("rb"))  # so that its inode number is not given to another file
        self.content[file.stat().st_ino] = file.read_bytes()

    def restore(self):
        inodes = dict(self.content)
        for file in self.held:
            file.close()
        for folder, _, _ in os.walk(self.root):
            for file in self._files(Path(folder)):
                file.unlink()
            for name, inode in self.names.get(Path(folder), {}).items():
                path = Path(folder) / name
                path.write_bytes(inodes.get(inode, b""))
                path.chmod(0o600)


@pytest.mark.parametrize("prior", [0, 3])
def test_a_power_cut_at_any_operation_loses_what_was_not_flushed_and_no_record(tmp_path, sample, prior):
    done = False
    for number in range(1, 60):
        station = Bench(tmp_path / str(number), sample)
        earlier = [station.seal(f"run-{n}") for n in range(prior)]
        station.target("the-run").parent.mkdir(parents=True, exist_ok=True)
        with pytest.MonkeyPatch.context() as patched:
            disk = Disk(station.root, patched, number)
            try:
                station.seal("the-run")
                done = True
            except PowerCut:
                pass
            disk.held, held = [], disk.held
            for file in held:
                file.close()
        disk.restore()
        # A sealing that had returned before the cut has lost nothing at all.
        assert not done or station.target("the-run").exists()
        station.check(*earlier, station.seal("the-run"), station.seal("next"))
        if done:
            break
    assert done
    assert number >= 14


@pytest.mark.parametrize("failing", ["fsync", "write", "replace"])
def test_an_error_of_the_disk_is_told_in_words_and_the_next_seal_completes(station, monkeypatch, failing):
    earlier = station.seal("run-0")
    calls = 0
    real = getattr(os, failing)
    for fail_at in range(1, 10):

        def once(*args, real=real, fail_at=fail_at):
            nonlocal calls
            calls += 1
            if calls == fail_at:
                raise OSError(28, "No space left on device")
            return real(*args)

        calls = 0
        monkeypatch.setattr(os, failing, once)
        try:
            station.seal("run-1")
        except SealError as error:
            assert "No space left on device" in str(error)
            assert str(station.root) in str(error)
        else:
            break
        finally:
            monkeypatch.setattr(os, failing, real)
    assert fail_at > 1
    station.check(earlier, station.seal("run-1"))


def test_processes_and_threads_that_seal_at_once_take_turns(station):
    code = (
        "import runpy, sys; from pathlib import Path\n"
        "from verifier.seal.keys import load_or_create; from verifier.seal.sealing import seal_run\n"
        "sample = runpy.run_path(sys.argv[2])['sample_record']; root = Path(sys.argv[1])\n"
        "key, _ = load_or_create(root / 'keys', 'station')\n"
        "for n in range(6):\n"
        "    target = root / f'{sys.argv[3]}-{n}.json'\n"
        "    record, disclosed = sample(key, run=target.stem)\n"
        "    seal_run(record, disclosed, key, root / 'ledger', target)\n"
    )
    sample = Path(__file__).with_name("sample_record.py")
    others = [subprocess.Popen([sys.executable, "-c", code, station.root, sample, name]) for name in ("a", "b")]
    threads = [threading.Thread(target=station.seal, args=(f"t-{n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for waited in (*threads, *others):
        waited.join() if isinstance(waited, threading.Thread) else waited.wait()
    files = [*station.root.glob("[ab]-*.json"), *(station.target(f"t-{n}") for n in range(4))]
    assert len(files) == 16
    station.check(*sorted((read_sealed(file) for file in files), key=lambda s: s.receipt.index))


def test_two_that_seal_the_same_run_give_one_record(station):
    given = []
    threads = [threading.Thread(target=lambda: given.append(station.seal("same").raw)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(given) == 4
    assert len(set(given)) == 1
    station.check(read_sealed(station.target("same")))


def test_whoever_waits_too_long_for_the_ledger_is_told_so(station, monkeypatch):
    station.seal("one")
    monkeypatch.setattr(ledgers, "_PATIENCE_S", 0.02)
    with (
        ledgers.locked(station.root / "ledger/station", station.key, "x", station.target("x")),
        pytest.raises(SealError, match="another process has been sealing"),
    ):
        station.seal("two")


@pytest.mark.parametrize(
    ("file", "harm"),
    [
        ("heads", lambda data: data[:-40]),
        ("heads", lambda data: data + b"x"),
        ("heads", lambda data: data.replace(b".", b"!")),
        ("heads", lambda data: b""),
        ("tree", lambda data: data[:-32]),
        ("tree", lambda data: data + bytes(32)),
        ("tree", lambda data: bytes(len(data))),
        ("tree", lambda data: b""),
    ],
)
def test_a_ledger_that_is_not_whole_is_not_continued(station, file, harm):
    station.seal("one"), station.seal("two")
    path = station.root / "ledger/station" / file
    path.write_bytes(harm(path.read_bytes()))
    with pytest.raises(SealError, match=r"not whole(.|\n)*backup"):
        station.seal("three")
    assert not station.target("three").exists()


@pytest.mark.parametrize("pending", [b"", b"{}", b"[1]", b'{"run":1,"record":2,"disclosed":3,"target":4}'])
def test_a_pending_record_that_cannot_be_read_stops_the_sealing(station, pending):
    station.seal("one")
    (station.root / "ledger/station/pending").write_bytes(pending)
    with pytest.raises(SealError, match="cannot be read back"):
        station.seal("two")


def test_a_new_key_goes_on_with_the_ledger_of_the_old_one(station):
    first = station.seal("one")
    (station.root / "keys/station.pem").unlink()
    renewed = Bench(station.root, station.sample)
    second = renewed.seal("two")
    assert second.receipt.index == 1
    assert second.record.ledger.head == first.receipt.head
    checked = check_sealed(second.raw, TrustList.of([renewed.key]))
    assert checked.status is Status.UNALTERED
    assert station.key.thumbprint in checked.notes[0]


def test_a_pending_record_of_a_key_that_is_gone_is_begun_anew(killed, sample, tmp_path):
    _, out, operations = killed
    for number in range(1, operations + 1):
        root = shutil.copytree(out / str(number), tmp_path / str(number))
        (root / "run").mkdir(exist_ok=True)
        (root / "keys/station.pem").unlink()
        renewed = Bench(root, sample)
        sealed = renewed.seal("other")
        assert check_sealed(sealed.raw, TrustList.of([renewed.key])).status is Status.UNALTERED
        assert sealed.receipt.index in (2, 3)
