import json
import zlib

import pytest

from verifier.errors import SealError
from verifier.seal.jws import Typ, b64u
from verifier.seal.keys import load_or_create
from verifier.seal.page import TAIL, check_page, embed, seal_page
from verifier.seal.sealing import seal_run
from verifier.seal.strict_json import dumps
from verifier.seal.trust import TrustList
from verifier.seal.verify import Status

RECORD_MARK = b'<pre hidden id="sealed-record">'
SEAL_MARK = b'<pre hidden id="page-seal">'


def page_status(data, trust):
    return check_page(data, trust).page.status


def test_a_sealed_page_is_unaltered_and_carries_its_record(bench):
    for run in bench.runs:
        checked = check_page(run.page, bench.trust)
        assert checked.page.status is Status.UNALTERED
        assert checked.record.status is Status.UNALTERED
        assert checked.sealed == run.sealed.raw
        assert checked.renderer == "verifier 0.1.0"


def test_the_page_is_front_seal_and_tail_as_published(bench):
    page = bench.runs[0].page
    front, _, rest = page.partition(SEAL_MARK)
    seal, _, tail = rest.partition(b"<")
    assert b"<" + tail == TAIL == b"</pre>\n</body>\n</html>\n"
    from verifier.seal.jws import take_apart

    payload = json.loads(take_apart(seal.decode(), Typ.PAGE).payload)
    from hashlib import sha256

    assert payload == {
        "length": len(front),
        "sha256": sha256(front).hexdigest(),
        "record": bench.runs[0].sealed.sha256,
        "renderer": "verifier 0.1.0",
    }


def resealed(bench, front, **changes):
    """A page whose seal is really by the station's key, over whatever front and payload."""
    from hashlib import sha256

    payload = {
        "length": len(front),
        "sha256": sha256(front).hexdigest(),
        "record": bench.runs[0].sealed.sha256,
        "renderer": "x",
    }
    seal = bench.key.sign(dumps(payload | changes), Typ.PAGE)
    return front + SEAL_MARK + seal.encode() + TAIL


def test_only_the_exact_payload_is_taken_though_signed_by_the_station(bench, sample):
    front = sample.front(bench.runs[0].sealed.raw)
    assert page_status(resealed(bench, front), bench.trust) is Status.UNALTERED
    for changes in (
        {"length": len(front) + 1},
        {"sha256": "0" * 64},
        {"record": bench.runs[1].sealed.sha256},
        {"more": 1},
        {"renderer": None},
        {"length": str(len(front))},
    ):
        assert page_status(resealed(bench, front, **changes), bench.trust) is Status.ALTERED


def test_a_page_with_two_records_is_refused_though_signed_by_the_station(bench, sample):
    """A reader might take the second."""
    front = sample.front(bench.runs[0].sealed.raw) + embed(bench.runs[1].sealed.raw).encode()
    assert page_status(resealed(bench, front), bench.trust) is Status.ALTERED


def test_the_record_of_another_page_cannot_be_put_in(bench):
    one, two = bench.runs[0], bench.runs[1]
    data = one.page.replace(embed(one.sealed.raw).encode(), embed(two.sealed.raw).encode())
    checked = check_page(data, bench.trust)
    assert checked.page.status is Status.ALTERED
    assert checked.record.status is Status.UNALTERED, "that record by itself is genuine, and this is said"


def test_the_seal_of_another_page_does_not_fit(bench):
    front = bench.runs[0].page.partition(SEAL_MARK)[0]
    rest = bench.runs[1].page.partition(SEAL_MARK)[2]
    assert page_status(front + SEAL_MARK + rest, bench.trust) is Status.ALTERED


@pytest.mark.parametrize(
    "change",
    [
        lambda p: p.replace(b"rework", b"release"),
        lambda p: p.replace(b"</h1>", b"</h1><style>h1{display:none}</style>"),
        lambda p: p.replace(TAIL, b"</pre>\n<script>document.body.innerHTML=''</script></body>\n</html>\n"),
        lambda p: p + b"<h1>release</h1>",
        lambda p: p + TAIL,
        lambda p: b"<h1>release</h1>" + p,
        lambda p: p.replace(SEAL_MARK, SEAL_MARK + b"x</pre>" + SEAL_MARK),
        lambda p: p.replace(RECORD_MARK, RECORD_MARK + b"</pre>" + RECORD_MARK),
        lambda p: p.replace(SEAL_MARK, b'<pre id="page-seal">'),
        lambda p: p.replace(b"rework", b"r\xc3\xa9work"),
        lambda p: b"",
        lambda p: b"<html></html>",
    ],
)
def test_a_changed_page_is_altered(bench, change):
    assert page_status(change(bench.runs[0].page), bench.trust) is Status.ALTERED


@pytest.mark.parametrize(
    "relayed",
    [
        lambda p: p.replace(b"\n", b"\r\n"),
        lambda p: p.replace(b"\n", b"\r"),
        lambda p: p + b"\n",
        lambda p: p + b"\r\n\r\n",
        lambda p: p.rstrip(b"\n"),
        lambda p: b"\xef\xbb\xbf" + p,
        lambda p: p[:-20],
        lambda p: p.removesuffix(TAIL),
        lambda p: p[: p.index(SEAL_MARK) + 60],
        lambda p: p[: p.index(RECORD_MARK) + 60],
    ],
)
def test_what_mail_and_editors_do_is_called_damage_and_never_unaltered(bench, relayed):
    data = relayed(bench.runs[0].page)
    checked = check_page(data, bench.trust)
    assert checked.page.status is Status.DAMAGED
    assert "transfer" in checked.page.note


def test_damage_does_not_hide_an_alteration(bench):
    data = bench.runs[0].page.replace(b"rework", b"release").replace(b"\n", b"\r\n")
    assert page_status(data, bench.trust) is Status.ALTERED


def test_a_page_by_an_unknown_signer_is_not_believed(bench, sample, tmp_path):
    key, _ = load_or_create(tmp_path / "keys", "station")
    record, disclosed = sample.record(key)
    sealed = seal_run(record, disclosed, key, tmp_path / "ledger", tmp_path / "sealed.json")
    page = seal_page(sample.front(sealed.raw), sealed.raw, key, "x")
    checked = check_page(page, bench.trust)
    assert (checked.page.status, checked.record.status) == (Status.UNKNOWN_SIGNER, Status.UNKNOWN_SIGNER)


def test_a_page_around_a_genuine_record_by_a_key_of_another_role(bench, sample, tmp_path):
    simulated, _ = load_or_create(tmp_path, "simulated")
    front = sample.front(bench.runs[0].sealed.raw)
    with pytest.raises(SealError, match="role station cannot be sealed with the key for simulated"):
        seal_page(front, bench.runs[0].sealed.raw, simulated, "x")
    from hashlib import sha256

    payload = {
        "length": len(front),
        "sha256": sha256(front).hexdigest(),
        "record": bench.runs[0].sealed.sha256,
        "renderer": "x",
    }
    page = front + SEAL_MARK + simulated.sign(dumps(payload), Typ.PAGE).encode() + TAIL
    both = bench.trust.also(TrustList.of([simulated]))
    assert page_status(page, both) is Status.WRONG_ROLE


def test_what_could_not_be_audited_afterwards_is_not_sealed(bench, sample):
    sealed, other = bench.runs[0].sealed, bench.runs[1].sealed
    front = sample.front(sealed.raw)
    for wrong in (b"<html>", front + front, front + SEAL_MARK, sample.front(other.raw)):
        with pytest.raises(SealError):
            seal_page(wrong, sealed.raw, bench.key, "x")


def with_record(bench, deflated):
    front = b"<html>" + RECORD_MARK + b64u(deflated).encode() + b"</pre>\n"
    return resealed(bench, front)


def test_what_is_embedded_is_bounded_and_nothing_follows_it(bench):
    raw = bench.runs[0].sealed.raw
    assert page_status(with_record(bench, zlib.compress(raw, 1)), bench.trust) is Status.UNALTERED
    for deflated in (
        zlib.compress(raw) + b"x",
        zlib.compress(raw)[:-1],
        zlib.compress(raw) + zlib.compress(b"more"),
        zlib.compress(raw + b" " * 21_000_000, 1),
        raw,
        b"",
    ):
        assert page_status(with_record(bench, deflated), bench.trust) in {Status.ALTERED, Status.DAMAGED}
