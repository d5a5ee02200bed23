"""What somebody tries who has every sealed file, every library, and a key of his own, but not the station's."""

import json
import re
from dataclasses import replace

import pytest

from verifier.seal.envelope import Envelope, NotSealedRecord, Receipt, open_sealed, parse
from verifier.seal.jws import Typ, b64u, unb64u
from verifier.seal.keys import load_or_create
from verifier.seal.merkle import leaf_hash, node_hash
from verifier.seal.sealing import seal_run
from verifier.seal.strict_json import dumps
from verifier.seal.trust import Retired, TrustedKey, TrustList
from verifier.seal.verify import Status, check_sealed


def statuses(data, trust):
    return {part.name: part.status for part in check_sealed(data, trust).parts}


def signed(bench, payload, **receipt):
    """An envelope whose record and head are really signed by the station's key, whatever they say."""
    record = bench.key.sign(payload, Typ.RECORD)
    root = leaf_hash(record.encode()).hex()
    head = bench.key.sign(dumps({"root": root, "size": 1}), Typ.HEAD)
    old = bench.runs[0].sealed.receipt.model_copy(
        update={"index": 0, "size": 1, "path": (), "head": head} | receipt
    )
    return Envelope(record, old, {}).to_bytes()


def test_as_sealed_it_is_unaltered(bench):
    for run in bench.runs:
        checked = check_sealed(run.sealed.raw, bench.trust)
        assert checked.status is Status.UNALTERED
        assert checked.signer.station == "bench-1"
        assert checked.signer.thumbprint == bench.key.thumbprint
        assert checked.withheld == 0


def test_an_envelope_sealed_throughout_with_the_attackers_key_has_an_unknown_signer(bench, sample, tmp_path):
    key, _ = load_or_create(tmp_path / "keys", "station")
    record, disclosed = sample.record(key)
    sealed = seal_run(record, disclosed, key, tmp_path / "ledger", tmp_path / "sealed.json")
    checked = check_sealed(sealed.raw, bench.trust)
    assert checked.status is Status.UNKNOWN_SIGNER
    assert checked.signer is None
    assert checked.record == {}, "nothing of it is shown"
    assert check_sealed(sealed.raw, TrustList()).status is Status.UNKNOWN_SIGNER


def test_the_attackers_record_under_the_stations_thumbprint_is_altered(bench, tmp_path):
    key, _ = load_or_create(tmp_path / "keys", "station")
    sealed = bench.runs[0].sealed
    header, payload, _ = sealed.envelope.record.split(".")
    signature = key.private.sign(f"{header}.{payload}".encode())
    forged = Envelope(f"{header}.{payload}.{b64u(signature)}", sealed.receipt, sealed.disclosed).to_bytes()
    assert statuses(forged, bench.trust)["record"] is Status.ALTERED


def test_receipts_of_other_records_do_not_fit(bench):
    for run in bench.runs:
        for other in bench.runs:
            data = Envelope(run.sealed.envelope.record, other.sealed.receipt, run.sealed.disclosed).to_bytes()
            expected = Status.UNALTERED if run is other else Status.ALTERED
            assert statuses(data, bench.trust) == {
                "record": Status.UNALTERED,
                "receipt": expected,
                "disclosed fields": Status.UNALTERED,
            }


@pytest.mark.parametrize(
    "change",
    [
        {"index": 1},
        {"size": 2},
        {"size": 1000},
        {"path": ()},
        {"index": -1},
        {"path": ("0" * 64,)},
        {"path": ("0" * 64,) * 64},
    ],
)
def test_a_changed_receipt(bench, change):
    sealed = bench.runs[2].sealed
    receipt = sealed.receipt.model_copy(update=change)
    data = Envelope(sealed.envelope.record, receipt, sealed.disclosed).to_bytes()
    assert statuses(data, bench.trust)["receipt"] is Status.ALTERED


def test_a_receipt_whose_head_is_signed_with_another_trusted_key(bench, tmp_path):
    other, _ = load_or_create(tmp_path, "station")
    sealed = bench.runs[0].sealed
    head = other.sign(dumps({"root": leaf_hash(sealed.envelope.record.encode()).hex(), "size": 1}), Typ.HEAD)
    data = Envelope(sealed.envelope.record, sealed.receipt.model_copy(update={"head": head}), {}).to_bytes()
    assert statuses(data, bench.trust.also(TrustList.of([other])))["receipt"] is Status.ALTERED


@pytest.mark.parametrize("typ", [t for t in Typ if t is not Typ.HEAD])
def test_a_head_signed_for_another_purpose_is_no_head(bench, typ):
    sealed = bench.runs[0].sealed
    head = bench.key.sign(dumps({"root": leaf_hash(sealed.envelope.record.encode()).hex(), "size": 1}), typ)
    data = Envelope(sealed.envelope.record, sealed.receipt.model_copy(update={"head": head}), {}).to_bytes()
    assert statuses(data, bench.trust)["receipt"] is Status.ALTERED


@pytest.mark.parametrize(
    "payload",
    [
        {"size": 1},
        {"size": 1, "root": "00"},
        {"size": True, "root": "ROOT"},
        {"size": 1.0, "root": "ROOT"},
        {"size": 1, "root": "ROOT", "more": 1},
        {"size": 1, "root": "UPPER"},
        [],
    ],
)
def test_a_head_of_another_form_is_refused_though_signed_by_the_station(bench, payload):
    sealed = bench.runs[0].sealed
    root = leaf_hash(sealed.envelope.record.encode()).hex()
    text = json.dumps(payload).replace("ROOT", root).replace("UPPER", root.upper())
    head = bench.key.sign(text.encode(), Typ.HEAD)
    data = Envelope(sealed.envelope.record, sealed.receipt.model_copy(update={"head": head}), {}).to_bytes()
    assert statuses(data, bench.trust)["receipt"] is Status.ALTERED


def plain(bench):
    return json.loads(bench.runs[0].sealed.payload)


def test_the_helper_signs_what_verifies(bench):
    assert check_sealed(signed(bench, bench.runs[0].sealed.payload), bench.trust).status is Status.UNALTERED


@pytest.mark.parametrize(
    "change",
    [
        lambda record: record | {"role": "simulated"},
        lambda record: record | {"role": "self"},
        lambda record: record | {"role": "approver"},
    ],
)
def test_a_record_whose_origin_is_not_the_keys_role(bench, change):
    assert statuses(signed(bench, dumps(change(plain(bench)))), bench.trust)["record"] is Status.WRONG_ROLE


@pytest.mark.parametrize(
    "change",
    [
        lambda r: r | {"ledger": None},
        lambda r: r | {"ledger": {"index": 0, "head": 7}},
        lambda r: r | {"ledger": {"index": 1, "head": None}},
        lambda r: r | {"ledger": {"index": -1, "head": None}},
        lambda r: r | {"station": {"name": "bench-1", "key": "A" * 43}},
        lambda r: r | {"station": "bench-1"},
        lambda r: r | {"role": None},
        lambda r: r | {"run": None},
        lambda r: [r],
    ],
)
def test_a_record_that_does_not_say_what_sealing_puts_into_it(bench, change):
    assert check_sealed(signed(bench, dumps(change(plain(bench)))), bench.trust).status is Status.ALTERED


@pytest.mark.parametrize(
    "harm",
    [
        lambda data: data[:-1] + b',"role":"station"}',
        lambda data: data.replace(b'"schema":1', b'"schema":NaN'),
        lambda data: data.replace(b'"schema":1', b'"schema":9007199254740993'),
        lambda data: data.replace(b'"schema":1', b'"schema":"\xff"'),
        lambda data: data.replace(b'"schema":1', b'"schema":' + b"[" * 9999 + b"]" * 9999),
    ],
    ids=["member twice", "NaN", "beyond 2^53", "not UTF-8", "deep"],
)
def test_a_record_that_could_be_read_in_two_ways_is_refused_though_signed_by_the_station(bench, harm):
    payload = bench.runs[0].sealed.payload
    assert harm(payload) != payload
    assert statuses(signed(bench, harm(payload)), bench.trust)["record"] is Status.ALTERED


def test_the_head_before_must_count_exactly_the_records_before(bench):
    record = json.loads(bench.runs[1].sealed.payload)
    record["ledger"]["head"] = bench.runs[1].sealed.receipt.head  # counts 2; before record 1 there was 1
    text = bench.key.sign(dumps(record), Typ.RECORD)
    size_one = leaf_hash(b"the record before")
    leaf = leaf_hash(text.encode())
    head = bench.key.sign(dumps({"root": node_hash(size_one, leaf).hex(), "size": 2}), Typ.HEAD)
    receipt = bench.runs[1].sealed.receipt.model_copy(update={"head": head, "path": (size_one.hex(),)})
    part = check_sealed(Envelope(text, receipt, {}).to_bytes(), bench.trust).parts[1]
    assert part.status is Status.ALTERED
    assert "another size" in part.note


def in_second_place(bench, record):
    """An envelope of a record that really stands second in a ledger that the station signed."""
    text = bench.key.sign(dumps(record), Typ.RECORD)
    first, leaf = leaf_hash(text.encode()), leaf_hash(text.encode())
    head = bench.key.sign(dumps({"root": node_hash(first, leaf).hex(), "size": 2}), Typ.HEAD)
    receipt = Receipt(index=1, size=2, path=(first.hex(),), head=head)
    return check_sealed(Envelope(text, receipt, {}).to_bytes(), bench.trust).parts[1]


def test_a_record_counts_only_in_the_place_that_it_names(bench):
    """The same record entered a second time stands in the ledger, but not where it says."""
    assert in_second_place(bench, json.loads(bench.runs[1].sealed.payload)).status is Status.UNALTERED
    part = in_second_place(bench, json.loads(bench.runs[0].sealed.payload))
    assert part.status is Status.ALTERED
    assert "another place" in part.note


def test_only_the_first_record_may_lack_the_head_before_it(bench):
    record = json.loads(bench.runs[1].sealed.payload)
    record["ledger"]["head"] = None
    part = in_second_place(bench, record)
    assert part.status is Status.ALTERED
    assert "only the first" in part.note


def test_a_withheld_field_leaves_the_seal_intact_and_is_counted(bench):
    sealed = bench.runs[1].sealed
    digests = sorted(sealed.disclosed)
    assert sealed.personal == set(digests)
    none = check_sealed(sealed.withhold(), bench.trust)
    assert (none.status, none.withheld) == (Status.UNALTERED, 2)
    one = check_sealed(sealed.withhold(keep=digests[:1]), bench.trust)
    assert (one.status, one.withheld) == (Status.UNALTERED, 1)
    assert not re.search(r"(?<![\w-])T04(?![\w-])", sealed.withhold().decode())


def test_disclosed_values_cannot_be_changed_swapped_or_added(bench):
    sealed = bench.runs[1].sealed
    (first, one), (second, two) = sealed.disclosed.items()
    for disclosed in (
        {first: two, second: one},
        {first: one.model_copy(update={"value": "T99"})},
        {first: one.model_copy(update={"salt": "0" * 32})},
        sealed.disclosed | bench.runs[0].sealed.disclosed,
    ):
        data = Envelope(sealed.envelope.record, sealed.receipt, disclosed).to_bytes()
        assert statuses(data, bench.trust) == {
            "record": Status.UNALTERED,
            "receipt": Status.UNALTERED,
            "disclosed fields": Status.ALTERED,
        }


def test_a_text_in_a_record_cannot_pose_as_a_personal_field(bench):
    """The sample's product string holds what a personal field looks like."""
    assert b'{\\"sha256\\":\\"' in bench.runs[0].sealed.payload
    assert "0" * 64 not in bench.runs[0].sealed.personal


def retired(bench, size, root):
    key = bench.trust[bench.key.thumbprint]
    return TrustList([replace(key, retired=Retired(size, root))])


def test_a_record_by_a_retired_key_counts_only_under_the_root_at_retirement(bench):
    """Whoever took the key can sign any receipt, but cannot put a record under a root that is already known."""
    last = bench.runs[2].sealed
    head = json.loads(unb64u(last.receipt.head.split(".")[1]))
    trust = retired(bench, head["size"], head["root"])
    assert check_sealed(last.raw, trust).status is Status.UNALTERED
    forged = signed(bench, bench.runs[0].sealed.payload)
    for data in (forged, bench.runs[0].sealed.raw, bench.runs[1].sealed.raw):
        checked = check_sealed(data, trust)
        assert checked.status is Status.RETIRED_KEY
        assert "retired" in checked.parts[1].note
        assert checked.parts[0].status is Status.UNALTERED


@pytest.mark.parametrize(
    "relayed",
    [
        lambda d: json.dumps(json.loads(d), indent=2).encode(),
        lambda d: json.dumps(json.loads(d)).encode(),
        lambda d: d.rstrip(b"\n"),
        lambda d: d + b"\n",
        lambda d: d.replace(b"\n", b"\r\n"),
        lambda d: b"\xef\xbb\xbf" + d,
        lambda d: b" " + d,
        lambda d: d[: len(d) // 2],
        lambda d: d[:-10],
        lambda d: d[:20],
    ],
)
def test_what_mail_and_editors_do_is_called_damage_and_never_unaltered(bench, relayed):
    assert check_sealed(relayed(bench.runs[1].sealed.raw), bench.trust).status is Status.DAMAGED


def test_a_change_is_not_called_damage_because_the_file_was_laid_out_anew_too(bench):
    """Whoever is told "damaged in transfer" looks for a mail program, not for a forger."""
    sealed = bench.runs[1].sealed
    altered = json.loads(sealed.raw)
    header, payload, signature = altered["record"].split(".")
    altered["record"] = f"{header}.{b64u(unb64u(payload).replace(b'rework', b'release'))}.{signature}"
    assert altered != json.loads(sealed.raw)
    for text in (json.dumps(altered, indent=2), json.dumps(altered)):
        assert check_sealed(text.encode(), bench.trust).status is Status.ALTERED


def test_a_name_that_the_trust_list_has_differently_is_noted_and_the_same_name_is_not(bench):
    raw = bench.runs[0].sealed.raw
    assert check_sealed(raw, TrustList.of([bench.key], "bench-1")).notes == []
    checked = check_sealed(raw, TrustList.of([bench.key], "depot"))
    assert (checked.status, checked.signer.station) == (Status.UNALTERED, "depot")
    assert checked.notes == ["The record calls its station 'bench-1'; the trust list calls it 'depot'."]


@pytest.mark.parametrize(
    "change",
    [
        lambda v: v | {"extra": 1},
        lambda v: v | {"record": None},
        lambda v: v | {"receipt": v["receipt"] | {"path": ["A" * 64]}},
        lambda v: v | {"receipt": v["receipt"] | {"path": ["0" * 63 + " "]}},
        lambda v: v | {"receipt": v["receipt"] | {"path": ["0" * 64] * 65}},
        lambda v: v | {"receipt": v["receipt"] | {"index": "0"}},
        lambda v: v | {"receipt": v["receipt"] | {"index": True}},
        lambda v: v | {"receipt": v["receipt"] | {"note": ""}},
        lambda v: v | {"disclosed": []},
        lambda v: v | {"disclosed": {"0" * 64: {"salt": "00", "value": "T04"}}},
        lambda v: v | {"disclosed": {"0" * 64: {"salt": "0" * 32, "value": 4}}},
        lambda v: v | {"disclosed": {"x": {"salt": "0" * 32, "value": "T04"}}},
        lambda v: {"record": v["record"]},
        lambda v: [v],
        lambda v: None,
    ],
)
def test_an_envelope_of_another_form_is_refused_also_for_showing(bench, change):
    value = json.loads(bench.runs[0].sealed.raw)
    data = dumps(change(value)) + b"\n"
    with pytest.raises(NotSealedRecord):
        parse(data)
    with pytest.raises(NotSealedRecord):
        open_sealed(data)
    assert check_sealed(data, bench.trust).status is Status.ALTERED


def test_a_member_twice_in_the_envelope_is_refused(bench):
    raw = bench.runs[0].sealed.raw
    other = bench.runs[1].sealed.envelope.record
    data = raw.rstrip(b"}\n") + b'","record":"' + other.encode() + b'"}\n'
    assert json.loads(data.replace(b'"","', b'","'))["record"] == other, "an ordinary reader takes the last"
    assert check_sealed(data.replace(b'"","', b'","'), bench.trust).status is Status.ALTERED


def test_names_of_two_keys_cannot_be_confused(bench):
    key = bench.trust[bench.key.thumbprint]
    other = TrustedKey(key.thumbprint, key.public, key.roles, "bench-9")
    checked = check_sealed(bench.runs[0].sealed.raw, TrustList([other]))
    assert checked.signer.station == "bench-9"
    assert "bench-1" in checked.notes[0]
