import json
import shutil
from types import SimpleNamespace

import pytest

from verifier.errors import InputError, SealError
from verifier.readings import Person
from verifier.seal import jws
from verifier.seal.amending import amendments_of, seal_amendment
from verifier.seal.amendment import correctable, open_amendment
from verifier.seal.amendment_build import Wanted, amendment_for
from verifier.seal.audit import audit
from verifier.seal.keys import load_or_create
from verifier.seal.page import embed, seal_page
from verifier.seal.personal import personal_digest
from verifier.seal.record import Personal
from verifier.seal.sealing import read_sealed, seal_run
from verifier.seal.trust import TrustList
from verifier.seal.verify import AN_AMENDMENT, Status, check_sealed

AT = "2026-12-02T09:30:00Z"
Q01 = Person(name="Q01 – Ærø", known="option")


@pytest.fixture
def station(bench, tmp_path):
    """A copy of the bench that a test may change, with a way to amend its runs."""
    root = tmp_path / "station"
    shutil.copytree(bench.root, root)
    key, _ = load_or_create(root / "keys", "station")
    trust = TrustList.of([key])
    folders = sorted((root / "runs").iterdir())

    def amend(number, kind, *, changes=None, by=None, reason="as typed", signed_by=None, **more):
        sealed = read_sealed(folders[number] / "sealed.json")
        successor = read_sealed(folders[by] / "sealed.json") if by is not None else None
        wanted = Wanted(
            kind=kind,
            reason=reason,
            by=Q01,
            at=AT,
            changes=changes or {},
            successor=successor,
            successor_standing=standing(by) if by is not None else standing(number),
        )
        signer = signed_by or key
        make = amendment_for(wanted, sealed, signer, "bench-1")
        return seal_amendment(make, sealed, signer, root / "ledger", folders[number], trust, **more)

    def standing(number, believed=None):
        folder = folders[number]
        return amendments_of(folder, read_sealed(folder / "sealed.json"), believed or trust)

    return SimpleNamespace(root=root, key=key, trust=trust, folders=folders, amend=amend, standing=standing)


def lines(station, *paths, trust=None):
    result = audit(paths or [station.root / "runs"], trust or station.trust)
    return {
        "/".join(part if len(part) < 15 else part[-6:] for part in line.path.parts[-2:]): line
        for line in result.lines
    }


def test_an_amendment_is_an_ordinary_leaf_with_a_receipt_and_its_own_purpose(station):
    made = station.amend(0, "void", reason="the wrong unit was on the bench")
    assert made.index == 3, "three runs came before it"
    assert made.amendment.amends == read_sealed(station.folders[0] / "sealed.json").digest
    assert made.amendment.role == "station"
    file = station.folders[0] / "amendments" / "001.json"
    assert check_sealed(file.read_bytes(), station.trust, typs=AN_AMENDMENT).status is Status.UNALTERED
    with pytest.raises(jws.NotJws, match="another purpose"):
        jws.take_apart(made.envelope.record, jws.Typ.RECORD)
    assert check_sealed(file.read_bytes(), station.trust).status is Status.ALTERED, "it is no record"


def test_nothing_that_was_sealed_is_touched(station):
    before = {p: p.read_bytes() for p in station.folders[0].iterdir() if p.is_file()}
    station.amend(0, "void")
    assert {p: p.read_bytes() for p in station.folders[0].iterdir() if p.is_file()} == before


def test_the_person_is_a_personal_field_and_can_be_withheld(station):
    made = station.amend(0, "correct", changes={"technician": "T12"})
    payload = jws.take_apart(made.envelope.record, jws.Typ.AMENDMENT).payload.decode()
    assert "Ærø" not in payload
    assert "T12" not in payload
    assert {d.value for d in made.disclosed.values()} == {Q01.name, "T12", "T04 – Ørsted"}
    for digest, disclosure in made.disclosed.items():
        assert personal_digest(bytes.fromhex(disclosure.salt), disclosure.value) == digest
    withheld = made.withhold()
    assert Q01.name.encode() not in withheld
    assert check_sealed(withheld, station.trust, typs=AN_AMENDMENT).status is Status.UNALTERED
    assert open_amendment(withheld).digest == made.digest


def test_the_ledger_goes_on_after_an_amendment(station, sample):
    station.amend(0, "void")
    folder = station.root / "runs" / "20261126T101dddddd"
    folder.mkdir()
    record, disclosed = sample.record(station.key, run=folder.name)
    sealed = seal_run(record, disclosed, station.key, station.root / "ledger", folder / "sealed.json")
    assert sealed.receipt.index == 4
    assert check_sealed(sealed.raw, station.trust).status is Status.UNALTERED


def test_a_correction_holds_old_and_new_values_and_the_next_goes_on_from_it(station):
    station.amend(0, "correct", changes={"ticket": "BF-1", "heat-sheet.lot": ""})
    second = station.amend(0, "correct", changes={"ticket": "BF-2"})
    assert [(c.field, c.old, c.new) for c in second.amendment.fields] == [("ticket", "BF-1", "BF-2")]
    standing = station.standing(0)
    record = read_sealed(station.folders[0] / "sealed.json").record
    assert [len(a.amendment.fields) for a in standing.amendments] == [2, 1]
    assert standing.fields(record)["ticket"] == "BF-2"
    assert standing.fields(record)["heat-sheet.lot"] is None
    assert correctable(record)["ticket"] == "BF-26-01847", "the record itself says what it said"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"verdict": "pass"}, "Findings are never corrected"),
        ({"ticket": "BF-26-01847"}, "says BF-26-01847 already"),
        ({"technician": "T04 – Ørsted"}, "already"),
        ({"serial": "x" * 2001}, "too long"),
        ({}, "nothing is named"),
    ],
)
def test_what_cannot_be_corrected_is_refused_and_nothing_is_sealed(station, changes, said):
    with pytest.raises(InputError) as refused:
        station.amend(0, "correct", changes=changes)
    assert said in str(refused.value)
    assert not list((station.folders[0] / "amendments").iterdir())
    assert station.amend(0, "void").index == 3


def test_superseding_needs_another_run_of_the_same_unit_that_stands(station):
    with pytest.raises(InputError, match="itself"):
        station.amend(0, "supersede", by=0)
    with pytest.raises(InputError, match="no run is named"):
        station.amend(0, "supersede")
    station.amend(2, "correct", changes={"serial": "QS-9999999"})
    with pytest.raises(InputError, match="another unit"):
        station.amend(0, "supersede", by=2)
    station.amend(0, "supersede", by=1)
    with pytest.raises(InputError, match="superseded itself"):
        station.amend(1, "supersede", by=0)
    with pytest.raises(InputError, match="superseded by run"):
        station.amend(0, "correct", changes={"ticket": "x"})


def test_void_is_said_once_and_a_later_run_may_still_take_its_place(station):
    station.amend(0, "void")
    for kind in ("void", "correct"):
        with pytest.raises(InputError, match="voided already"):
            station.amend(0, kind, changes={"ticket": "x"})
    station.amend(0, "supersede", by=1)
    assert station.standing(0).word == "voided"


@pytest.mark.parametrize("reason", ["", "   ", "x" * 2001])
def test_an_amendment_has_a_reason(station, reason):
    with pytest.raises(InputError, match="the reason is"):
        station.amend(0, "void", reason=reason)


def test_audit_says_on_the_records_line_what_became_of_it(station):
    station.amend(0, "void", reason="wrong unit")
    station.amend(1, "supersede", by=2, reason="tested again")
    station.amend(2, "correct", changes={"ticket": "BF-9", "serial": "QS-1"})
    found = lines(station)
    assert {line.status for line in found.values()} == {Status.UNALTERED}
    for file in ("sealed.json", "report.html"):
        assert found[f"aaaaaa/{file}"].sentence.endswith("; VOIDED on 2026-12-02: wrong unit")
        assert f"SUPERSEDED BY run {station.folders[2].name}: tested again" in found[f"bbbbbb/{file}"].sentence
        assert found[f"cccccc/{file}"].sentence.endswith("; CORRECTED since: ticket, serial")
    own = found["amendments/001.json"]
    assert own.kind == "amendment"


def test_one_record_named_alone_still_knows_the_amendment_beside_it(station):
    station.amend(0, "void")
    (line,) = lines(station, station.folders[0] / "sealed.json").values()
    assert "VOIDED" in line.sentence


def test_an_amendment_audited_with_a_copied_record_counts_wherever_it_lies(station, tmp_path):
    station.amend(0, "void")
    copies = tmp_path / "copies"
    copies.mkdir()
    shutil.copy(station.folders[0] / "sealed.json", copies / "QS.json")
    assert "VOIDED" not in lines(station, copies)["copies/QS.json"].sentence
    shutil.copy(station.folders[0] / "amendments" / "001.json", copies / "QS-void.json")
    found = lines(station, copies)
    assert "VOIDED" in found["copies/QS.json"].sentence
    assert "voids run" in found["copies/QS-void.json"].sentence


def test_a_page_that_carries_its_amendments_says_so_alone(station, sample, tmp_path):
    made = station.amend(0, "void")
    sealed = read_sealed(station.folders[0] / "sealed.json")
    front = sample.front(sealed.raw).decode().replace(embed(sealed.raw), embed(sealed.raw, [made.raw]))
    page = tmp_path / "page.html"
    page.write_bytes(seal_page(front.encode(), sealed.raw, station.key, "x"))
    (line,) = lines(station, page).values()
    assert line.status is Status.UNALTERED
    assert "VOIDED" in line.sentence


def test_a_record_in_the_place_of_a_runs_record_must_be_one(station):
    station.amend(0, "void")
    shutil.copy(station.folders[0] / "amendments" / "001.json", station.folders[0] / "sealed.json")
    (line,) = lines(station, station.folders[0] / "sealed.json").values()
    assert line.status is Status.ALTERED


def test_an_altered_amendment_changes_nothing_and_is_told(station):
    station.amend(0, "void")
    file = station.folders[0] / "amendments" / "001.json"
    file.write_bytes(file.read_bytes().replace("Ærø".encode(), b"Ero"))
    found = lines(station)
    assert found["amendments/001.json"].status is Status.ALTERED
    assert "VOIDED" not in found["aaaaaa/sealed.json"].sentence
    assert any("does not count" in note for note in found["aaaaaa/sealed.json"].notes)
    assert station.standing(0).word == ""


def test_another_stations_word_does_not_count_even_if_that_station_is_trusted(station, tmp_path):
    stranger, _ = load_or_create(tmp_path / "keys", "station")
    sealed = read_sealed(station.folders[0] / "sealed.json")
    wanted = Wanted(kind="void", reason="ill will", by=Q01, at=AT)
    make = amendment_for(wanted, sealed, stranger, "bench-9")
    both = TrustList([*station.trust.values(), *TrustList.of([stranger], "bench-9").values()])
    seal_amendment(make, sealed, stranger, tmp_path / "ledger", station.folders[0], both)
    found = lines(station, trust=both)
    assert found["amendments/001.json"].status is Status.UNALTERED
    assert "VOIDED" not in found["aaaaaa/sealed.json"].sentence
    assert any("another station" in note for note in found["aaaaaa/sealed.json"].notes)
    one_name = TrustList(
        [*TrustList.of([station.key], "depot").values(), *TrustList.of([stranger], "depot").values()]
    )
    assert station.standing(0, one_name).word == "voided", "one name, one station"


def test_a_key_of_another_role_cannot_amend(station):
    simulated, _ = load_or_create(station.root / "keys", "simulated")
    with pytest.raises(SealError, match="cannot be amended with the key for simulated"):
        station.amend(0, "void", signed_by=simulated)


def test_an_amendment_that_was_cut_off_is_completed_by_the_next_seal(station, monkeypatch):
    from verifier.seal import ledger

    def die(path, data, **more):
        if path.parent.name == "amendments":
            raise OSError(28, "No space left on device", str(path))
        return written(path, data, **more)

    written = ledger.write_durably
    monkeypatch.setattr(ledger, "write_durably", die)
    with pytest.raises(SealError):
        station.amend(0, "void", reason="wrong unit")
    monkeypatch.undo()
    assert station.standing(0).word == ""
    with pytest.raises(InputError, match="voided already"):
        station.amend(0, "void")  # the lock's holder completes the first before it looks
    assert station.standing(0).word == "voided"
    station.amend(1, "void")
    assert set(lines(station)) >= {"amendments/001.json"}
    assert json.loads((station.folders[0] / "amendments" / "001.json").read_text())["receipt"]["index"] == 3


def test_old_personal_values_stay_withheld_where_the_copy_withholds_them(station):
    folder = station.folders[0]
    sealed = read_sealed(folder / "sealed.json")
    (folder / "sealed.json").write_bytes(sealed.withhold())
    made = station.amend(0, "correct", changes={"technician": "T12"})
    (change,) = made.amendment.fields
    assert isinstance(change.old, Personal)
    assert change.old.sha256 not in made.disclosed
