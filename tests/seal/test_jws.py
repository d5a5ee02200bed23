import base64
import json
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from hypothesis import given
from hypothesis import strategies as st

from verifier.seal import jws
from verifier.seal.keys import SigningKey, thumbprint
from verifier.seal.trust import TrustList
from verifier.seal.verify import Status, check_sealed

REFERENCE = Path(__file__).parents[1] / "reference" / "seal"
RFC8032 = json.loads((REFERENCE / "rfc8032_7_1.json").read_text())["vectors"]
RFC8037 = json.loads((REFERENCE / "rfc8037_a4.json").read_text())
FROM_MEMORY = [
    {
        "name": "TEST 3, from memory",
        "seed": "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "public": "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "message": "af82",
        "signature": "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
        "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    }
]
KEY = SigningKey("station", Ed25519PrivateKey.from_private_bytes(bytes(range(32))))


@pytest.mark.parametrize("vector", RFC8032 + FROM_MEMORY, ids=lambda v: v["name"])
def test_ed25519_signs_as_in_rfc_8032_section_7_1(vector):
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(vector["seed"]))
    assert key.public_key().public_bytes_raw().hex() == vector["public"]
    assert key.sign(bytes.fromhex(vector["message"])).hex() == vector["signature"]


def test_signing_gives_the_signature_of_rfc_8037_appendix_a_4():
    key = Ed25519PrivateKey.from_private_bytes(jws.unb64u(RFC8037["jwk"]["d"]))
    assert jws.b64u(key.public_key().public_bytes_raw()) == RFC8037["jwk"]["x"]
    assert (
        jws.b64u(RFC8037["header"].encode()) + "." + jws.b64u(RFC8037["payload"].encode())
        == RFC8037["signing_input"]
    )
    assert jws.b64u(key.sign(RFC8037["signing_input"].encode())) == RFC8037["signature"]


def test_thumbprint_is_that_of_rfc_8037_appendix_a_3_by_rfc_7638():
    key = Ed25519PublicKey.from_public_bytes(jws.unb64u(RFC8037["jwk"]["x"]))
    assert thumbprint(key) == RFC8037["thumbprint_sha256"]


def test_the_jws_of_rfc_8037_appendix_a_4_is_refused_because_its_alg_is_not_ed25519():
    with pytest.raises(jws.NotJws):
        jws.take_apart(RFC8037["compact"], jws.Typ.RECORD)


def test_a_head_that_says_eddsa_is_refused_though_its_signature_is_good():
    text = forged({"alg": "EdDSA", "kid": KEY.thumbprint, "typ": jws.Typ.RECORD})
    with pytest.raises(jws.NotJws, match="alg"):
        jws.take_apart(text, jws.Typ.RECORD)


@given(st.binary(max_size=300), st.sampled_from(jws.Typ))
def test_what_is_signed_verifies_and_comes_back(payload, typ):
    signed = jws.take_apart(KEY.sign(payload, typ), typ)
    assert signed.kid == KEY.thumbprint
    assert signed.verify(KEY.public) == payload


@given(st.sampled_from(jws.Typ), st.sampled_from(jws.Typ))
def test_a_signature_for_one_purpose_serves_no_other(made_for, shown_as):
    text = KEY.sign(b"{}", made_for)
    if made_for is shown_as:
        assert jws.take_apart(text, shown_as)
    else:
        with pytest.raises(jws.NotJws, match="another purpose"):
            jws.take_apart(text, shown_as)


def test_another_key_does_not_verify():
    other = Ed25519PrivateKey.from_private_bytes(bytes(32))
    with pytest.raises(jws.BadSignature):
        jws.take_apart(KEY.sign(b"{}", jws.Typ.HEAD), jws.Typ.HEAD).verify(other.public_key())


GOOD = {"alg": "Ed25519", "kid": KEY.thumbprint, "typ": "verifier-record+jws"}


def forged(header, payload=b"{}"):
    """A compact JWS whose signature is good, whatever its header says."""
    head = header if isinstance(header, bytes) else json.dumps(header).encode()
    signing_input = jws.b64u(head) + "." + jws.b64u(payload)
    return signing_input + "." + jws.b64u(KEY.private.sign(signing_input.encode()))


@pytest.mark.parametrize(
    "header",
    [
        GOOD | {"crit": ["b64"], "b64": False},
        GOOD | {"b64": True},
        GOOD | {"jwk": KEY.public_jwk()},
        GOOD | {"jku": "https://keys.invalid/"},
        GOOD | {"x5c": []},
        GOOD | {"alg": "none"},
        GOOD | {"alg": "EdDSA"},
        GOOD | {"alg": "HS256"},
        GOOD | {"alg": "ed25519"},
        GOOD | {"alg": ["Ed25519"]},
        GOOD | {"typ": "JWT"},
        GOOD | {"kid": None},
        GOOD | {"kid": "../../trust"},
        {k: v for k, v in GOOD.items() if k != "typ"},
        {k: v for k, v in GOOD.items() if k != "kid"},
        [],
        b'{"alg":"none","alg":"Ed25519","kid":"%s","typ":"verifier-record+jws"}' % KEY.thumbprint.encode(),
        b"{}x",
        b"",
    ],
    ids=repr,
)
def test_a_header_with_anything_else_in_it_is_refused_though_its_signature_is_good(header):
    with pytest.raises((jws.NotJws, jws.strict_json.NotStrict)):
        jws.take_apart(forged(header), jws.Typ.RECORD)
    assert jws.take_apart(forged(GOOD), jws.Typ.RECORD).verify(KEY.public) == b"{}"


def test_only_three_parts():
    text = forged(GOOD)
    header, payload, signature = text.split(".")
    flattened = json.dumps({"protected": header, "payload": payload, "signature": signature})
    for wrong in (
        text + ".",
        "." + text,
        f"{header}.{signature}",
        flattened,
        "",
        "..",
        f"{header}..{signature}.x",
    ):
        with pytest.raises((jws.NotJws, jws.strict_json.NotStrict)):
            jws.take_apart(wrong, jws.Typ.RECORD)


def test_every_other_spelling_of_the_same_bytes_is_refused():
    """RFC 4648, 3.5: of the last character of 64 bytes decoders ignore four bits; and they skip foreign ones."""
    text = forged(GOOD)
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    same_bytes = 0
    for last in alphabet:
        changed = text[:-1] + last
        signature = base64.urlsafe_b64decode(changed.rpartition(".")[2] + "==")
        same_bytes += signature == jws.unb64u(text.rpartition(".")[2])
        if changed != text:
            with pytest.raises((jws.NotJws, jws.BadSignature)):
                jws.take_apart(changed, jws.Typ.RECORD).verify(KEY.public)
    assert same_bytes == 16
    for foreign in ("=", "\n", " ", "+", "/", "é", "*", "\x00"):
        for place in (len(text), len(text) - 5, text.index(".") + 2, 3):
            with pytest.raises((jws.NotJws, jws.strict_json.NotStrict)):
                jws.take_apart(text[:place] + foreign + text[place:], jws.Typ.RECORD)


@given(st.binary(max_size=100))
def test_base64url_as_in_rfc_7515_section_2(data):
    text = jws.b64u(data)
    assert "=" not in text
    assert jws.unb64u(text) == data


def test_joserfc_verifies_our_record(bench):
    from joserfc import jws as other
    from joserfc.jwk import OKPKey

    text = bench.runs[1].sealed.envelope.record
    key = OKPKey.import_key({k: v for k, v in bench.key.public_jwk().items() if k in {"kty", "crv", "x"}})
    found = other.deserialize_compact(text, key, algorithms=["Ed25519"])
    assert found.payload == bench.runs[1].sealed.payload
    with pytest.raises(Exception, match="bad_signature"):
        other.deserialize_compact(text[:-6] + "AAAAAA", key, algorithms=["Ed25519"])


def test_jwcrypto_verifies_our_record_head_and_page(bench):
    from jwcrypto.jwk import JWK
    from jwcrypto.jws import JWS

    key = JWK(**{k: v for k, v in bench.key.public_jwk().items() if k in {"kty", "crv", "x"}})
    assert key.thumbprint() == bench.key.thumbprint
    page_seal = bench.runs[1].page.partition(b'<pre hidden id="page-seal">')[2].partition(b"<")[0].decode()
    sealed = bench.runs[1].sealed
    for text in (sealed.envelope.record, sealed.receipt.head, page_seal):
        other = JWS()
        other.allowed_algs = ["Ed25519"]
        other.deserialize(text, key)
        assert other.is_valid


def test_what_those_libraries_accept_and_we_do_not(bench):
    """A JWS by a trusted key with another typ is a good JWS to any library, and no record to us."""
    from joserfc import jws as other
    from joserfc.jwk import OKPKey

    sealed = bench.runs[0].sealed
    text = bench.key.sign(sealed.payload, jws.Typ.AMENDMENT)
    key = OKPKey.import_key({k: v for k, v in bench.key.public_jwk().items() if k in {"kty", "crv", "x"}})
    assert other.deserialize_compact(text, key, algorithms=["Ed25519"]).payload == sealed.payload
    data = type(sealed.envelope)(text, sealed.receipt, sealed.disclosed).to_bytes()
    assert check_sealed(data, TrustList.of([bench.key])).status is Status.ALTERED


@given(st.binary(min_size=1, max_size=20), st.data())
def test_only_what_base64url_writes_is_read(data, draw):
    """RFC 4648, section 3.5: the bits that pad the last character must be 0; section 5: the alphabet."""
    text = jws.b64u(data)
    place = draw.draw(st.integers(0, len(text) - 1))
    spoilt = (
        text[:place]
        + draw.draw(st.sampled_from(["+", "/", "=", "\n", " ", "é", "", "AB", "B"]))
        + text[place + 1 :]
    )
    try:
        read = jws.unb64u(spoilt)
    except jws.NotJws:
        return
    assert jws.b64u(read) == spoilt
