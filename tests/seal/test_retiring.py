import json
import shutil
from types import SimpleNamespace

import pytest

from verifier.errors import InputError, SealError
from verifier.seal import keys, ledger
from verifier.seal.audit import audit
from verifier.seal.envelope import Envelope, Receipt
from verifier.seal.keys import load_or_create
from verifier.seal.merkle import EMPTY_ROOT
from verifier.seal.retiring import portable, proofs_from, retire, retired_keys
from verifier.seal.sealing import read_sealed, seal_run
from verifier.seal.trust import TrustList
from verifier.seal.verify import Status, check_sealed


@pytest.fixture
def station(bench, sample, tmp_path):
    """A bench of three runs whose key is retired; one more run is sealed with its next key."""
    root = tmp_path / "station"
    shutil.copytree(bench.root, root)
    old, _ = load_or_create(root / "keys", "station")
    stolen = (root / "keys" / "station.pem").read_bytes()
    done = retire(root / "keys", "station", root / "ledger", "bench-1")
    new, made = load_or_create(root / "keys", "station")
    assert made
    folder = root / "runs" / "20261201T101512Z-dddddd"
    folder.mkdir()
    record, disclosed = sample.record(new, run=folder.name)
    seal_run(record, disclosed, new, root / "ledger", folder / "sealed.json")
    trust = TrustList([*TrustList.of([new]).values(), *retired_keys(root / "keys")])
    return SimpleNamespace(root=root, old=old, new=new, stolen=stolen, done=done, trust=trust, runs=root / "runs")


def records(station):
    return sorted(station.runs.glob("*/sealed.json"))


def test_the_ledgers_size_and_root_are_kept_and_the_private_half_is_gone(station):
    assert station.done.thumbprint == station.old.thumbprint
    assert station.done.retired.size == 3
    (kept,) = retired_keys(station.root / "keys")
    assert (kept.thumbprint, kept.retired) == (station.old.thumbprint, station.done.retired)
    assert "d" not in json.loads((station.root / "keys" / "retired.json").read_text())["keys"][0]
    assert station.new.thumbprint != station.old.thumbprint


def test_old_and_new_records_are_both_good_with_the_own_ledger(station):
    result = audit(records(station), station.trust, proofs_from(station.root / "ledger"))
    assert [line.status for line in result.lines] == [Status.UNALTERED] * 4
    assert [line.signer.thumbprint for line in result.lines] == [station.old.thumbprint] * 3 + [
        station.new.thumbprint
    ]
    assert any("another key" in note for note in result.lines[3].notes)


def test_without_the_ledger_only_the_last_receipt_shows_that_a_record_is_older(station):
    """The third record's own receipt is under just the head that stood at retirement."""
    result = audit(records(station), station.trust)
    assert [line.status for line in result.lines] == [
        Status.RETIRED_KEY, Status.RETIRED_KEY, Status.UNALTERED, Status.UNALTERED,
    ]  # fmt: skip
    assert "signature good, not shown to predate" in result.lines[0].sentence


def test_a_copy_with_the_receipt_of_then_is_good_everywhere(station):
    for file in records(station)[:3]:
        sealed = read_sealed(file)
        moved = portable(sealed, station.trust, station.root / "ledger")
        assert moved.digest == sealed.digest, "the record itself is the same"
        assert check_sealed(moved.raw, station.trust).status is Status.UNALTERED
    new = read_sealed(records(station)[3])
    assert portable(new, station.trust, station.root / "ledger") is new


def test_whoever_took_the_key_can_make_no_old_records(station, sample, tmp_path):
    """A forged record with a forged ledger of the same size, by the stolen key."""
    forge = tmp_path / "forge"
    (forge / "keys").mkdir(parents=True, mode=0o700)
    (forge / "keys" / "station.pem").write_bytes(station.stolen)
    (forge / "keys" / "station.pem").chmod(0o600)
    thief, _ = load_or_create(forge / "keys", "station")
    for number in range(3):
        record, disclosed = sample.record(thief, run=f"20261125T10151{number}Z-forged")
        seal_run(record, disclosed, thief, forge / "ledger", forge / f"{number}.json")
    for source in (forge / "ledger", station.root / "ledger"):
        for number in range(3):
            data = (forge / f"{number}.json").read_bytes()
            checked = check_sealed(data, station.trust, proofs=proofs_from(source))
            assert checked.status is Status.RETIRED_KEY
    # Nor does a genuine receipt help a forged record.
    genuine, forged = read_sealed(records(station)[2]), read_sealed(forge / "2.json")
    mixed = Envelope(forged.envelope.record, genuine.receipt, forged.disclosed).to_bytes()
    assert check_sealed(mixed, station.trust).status is Status.ALTERED


def test_a_proof_that_lies_is_not_believed(station):
    data = records(station)[0].read_bytes()
    for path in ([], [b"\x00" * 32] * 2, [b"short"], [b"\xff" * 32] * 40):
        checked = check_sealed(data, station.trust, proofs=lambda role, index, size, p=path: p)
        assert checked.status is Status.RETIRED_KEY


def test_a_retired_key_seals_nothing_more(station, sample):
    record, disclosed = sample.record(station.old, run="late")
    with pytest.raises(SealError, match="retired or replaced meanwhile"):
        seal_run(record, disclosed, station.old, station.root / "ledger", station.root / "late.json")
    (station.root / "keys" / "station.pem").write_bytes(station.stolen)
    assert keys.load(station.root / "keys", "station") is None, "brought back by hand, it stays retired"
    again, made = load_or_create(station.root / "keys", "station")
    assert made
    assert again.thumbprint not in {station.old.thumbprint, station.new.thumbprint}


def test_what_was_being_sealed_is_completed_before_the_key_goes(bench, sample, tmp_path, monkeypatch):
    root = tmp_path / "station"
    shutil.copytree(bench.root, root)
    key, _ = load_or_create(root / "keys", "station")
    folder = root / "runs" / "20261130T101512Z-eeeeee"
    folder.mkdir()
    record, disclosed = sample.record(key, run=folder.name)

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(ledger, "append_durably", full)
    with pytest.raises(SealError):
        seal_run(record, disclosed, key, root / "ledger", folder / "sealed.json")
    monkeypatch.undo()
    assert retire(root / "keys", "station", root / "ledger", "bench-1").retired.size == 4
    trust = TrustList(retired_keys(root / "keys"))
    assert check_sealed((folder / "sealed.json").read_bytes(), trust).status is Status.UNALTERED


def test_a_key_that_never_sealed_can_be_retired(tmp_path):
    load_or_create(tmp_path / "keys", "self")
    done = retire(tmp_path / "keys", "self", tmp_path / "ledger", "bench-1")
    assert (done.retired.size, done.retired.root) == (0, EMPTY_ROOT.hex())
    with pytest.raises(InputError, match="no key of role self"):
        retire(tmp_path / "keys", "self", tmp_path / "ledger", "bench-1")


def test_a_list_of_retired_keys_that_cannot_be_read_stops_the_sealing(station):
    (station.root / "keys" / "retired.json").write_text("{")
    with pytest.raises(SealError, match="list of retired keys"):
        load_or_create(station.root / "keys", "station")


def test_proofs_come_only_from_a_ledger_that_has_them(station, tmp_path):
    proofs = proofs_from(station.root / "ledger")
    assert proofs("station", 0, 3) is not None
    assert proofs("station", 3, 3) is None
    assert proofs("station", 0, 99) is None
    assert proofs("self", 0, 3) is None
    assert (
        ledger.head_over(station.root / "ledger" / "station", 3) == read_sealed(records(station)[2]).receipt.head
    )
    assert ledger.head_over(station.root / "ledger" / "station", 99) is None
    assert Receipt.model_fields.keys() == {"index", "size", "path", "head"}


def test_a_run_that_was_sealed_before_its_key_was_retired_stays_as_it_was(station, sample):
    """As after a crash between seal and report: sealing again gives back what was sealed first."""
    file = records(station)[0]
    record, disclosed = sample.record(station.new, run=file.parent.name)
    with pytest.raises(SealError, match="did not seal for this run"):
        seal_run(record, disclosed, station.new, station.root / "ledger", file)
    again = seal_run(
        record,
        disclosed,
        station.new,
        station.root / "ledger",
        file,
        retired=retired_keys(station.root / "keys"),
    )
    assert again.record.station.key == station.old.thumbprint
