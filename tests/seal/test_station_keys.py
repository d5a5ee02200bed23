import json
import os
import re
import stat
import subprocess
import sys

import pytest

from verifier.errors import InputError, SealError
from verifier.seal.jws import Typ, take_apart
from verifier.seal.keys import ROLES, fingerprint, key_set, load, load_all, load_or_create
from verifier.seal.trust import TRUST_ROLES, Retired, TrustList, public_keys


def test_a_key_is_made_once_and_is_its_owners_alone(tmp_path):
    old = os.umask(0)
    try:
        key, made = load_or_create(tmp_path / "state" / "keys", "station")
    finally:
        os.umask(old)
    again, made_again = load_or_create(tmp_path / "state" / "keys", "station")
    assert (made, made_again) == (True, False)
    assert key.thumbprint == again.thumbprint
    assert stat.S_IMODE((tmp_path / "state/keys/station.pem").stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "state/keys").stat().st_mode) == 0o700
    assert [p.name for p in (tmp_path / "state/keys").iterdir()] == ["station.pem"]


def test_each_role_has_its_own_key(tmp_path):
    made = {load_or_create(tmp_path, role)[0].thumbprint for role in ROLES}
    assert len(made) == len(ROLES) == 3
    assert {key.role for key in load_all(tmp_path)} == set(ROLES)


def test_looking_makes_nothing(tmp_path):
    assert load(tmp_path / "none", "station") is None
    assert load_all(tmp_path / "none") == []
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o666])
def test_a_key_that_others_may_read_is_refused_with_what_to_do(tmp_path, mode):
    load_or_create(tmp_path, "station")
    (tmp_path / "station.pem").chmod(mode)
    with pytest.raises(SealError, match=r"others may read(.|\n)*chmod 600"):
        load_or_create(tmp_path, "station")


def test_a_folder_that_others_may_write_to_is_refused(tmp_path):
    tmp_path.chmod(0o777)
    with pytest.raises(SealError, match=r"others may write(.|\n)*chmod 700"):
        load_or_create(tmp_path, "station")


def other_keys():
    from cryptography.hazmat.primitives import serialization as s
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey

    form = s.Encoding.PEM, s.PrivateFormat.PKCS8
    yield X25519PrivateKey.generate().private_bytes(*form, s.NoEncryption())
    yield Ed25519PrivateKey.generate().private_bytes(*form, s.BestAvailableEncryption(b"x"))
    yield (
        Ed25519PrivateKey.generate().public_key().public_bytes(s.Encoding.PEM, s.PublicFormat.SubjectPublicKeyInfo)
    )
    yield b""
    yield b"\xff" * 20_000


@pytest.mark.parametrize("data", list(other_keys()), ids=["another curve", "password", "public", "empty", "noise"])
def test_a_file_that_is_no_key_of_ours_is_said_to_be_none(tmp_path, data):
    (tmp_path / "station.pem").write_bytes(data)
    (tmp_path / "station.pem").chmod(0o600)
    with pytest.raises(SealError, match="no Ed25519 private key"):
        load(tmp_path, "station")


def test_two_processes_that_ask_at_once_get_one_key(tmp_path):
    code = (
        "import sys; from pathlib import Path; from verifier.seal.keys import load_or_create;"
        "print(load_or_create(Path(sys.argv[1]), 'station')[0].thumbprint)"
    )
    asking = [
        subprocess.Popen([sys.executable, "-c", code, tmp_path / "keys"], stdout=subprocess.PIPE) for _ in range(3)
    ]
    assert len({process.communicate()[0] for process in asking}) == 1


def test_a_fingerprint_can_be_read_out(tmp_path):
    key, _ = load_or_create(tmp_path, "station")
    shown = fingerprint(key.thumbprint)
    assert shown.replace(" ", "") == key.thumbprint
    assert re.fullmatch(r"(\S{4} ){10}\S{3}", shown)


def exported(tmp_path, **changes):
    key, _ = load_or_create(tmp_path, "station")
    jwk = {k: v for k, v in (key.public_jwk("bench-1") | changes).items() if v is not None}
    return json.dumps({"keys": [jwk]}).encode()


def test_what_is_exported_is_what_is_trusted_and_holds_nothing_private(tmp_path):
    keys = [load_or_create(tmp_path, role)[0] for role in ROLES]
    data = json.dumps(key_set(keys, "bench-1")).encode()
    assert b'"d"' not in data
    trusted = TrustList.parse(data)
    assert set(trusted) == {key.thumbprint for key in keys}
    for key in keys:
        assert trusted[key.thumbprint].roles == {key.role}
        assert trusted[key.thumbprint].name == "bench-1"
        signed = take_apart(key.sign(b"{}", Typ.HEAD), Typ.HEAD)
        assert signed.verify(trusted[key.thumbprint].public) == b"{}"
    assert {key.thumbprint for key in public_keys(tmp_path)} == set(trusted)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"kid": "A" * 43}, "not the thumbprint"),
        ({"kid": None}, "kid"),
        ({"x": "AAAA"}, "no Ed25519 public key"),
        ({"x": None}, "x"),
        ({"kty": "EC"}, "kty"),
        ({"crv": None}, "crv"),
        ({"alg": "EdDSA"}, "alg"),
        ({"use": "enc"}, "use"),
        ({"d": "AAAA"}, "private key"),
        ({"roles": None}, "roles"),
        ({"roles": []}, "roles"),
        ({"roles": ["statoin"]}, "roles"),
        ({"roles": "station"}, "roles"),
        ({"retierd": {"size": 1, "root": "0" * 64}}, "retierd"),
        ({"retired": {"size": 1}}, "retired"),
        ({"retired": {"size": True, "root": "0" * 64}}, "retired"),
        ({"retired": {"size": 1, "root": "A" * 64}}, "retired"),
        ({"name": 7}, "name"),
    ],
)
def test_a_trust_list_that_is_not_understood_is_refused_as_a_whole(tmp_path, changes, why):
    with pytest.raises(InputError, match=why):
        TrustList.parse(exported(tmp_path, **changes))


@pytest.mark.parametrize(
    "data", [b"", b"[]", b"{}", b'{"keys":[]}', b'{"keys":{}}', b'{"keys":[1]}', b'{"keys":[],"keys":[]}', b"\xff"]
)
def test_what_is_no_trust_list(data):
    with pytest.raises(InputError, match="cannot be used"):
        TrustList.parse(data)


def test_a_key_that_stands_twice_in_a_trust_list(tmp_path):
    entry = json.loads(exported(tmp_path))["keys"][0]
    with pytest.raises(InputError, match="twice"):
        TrustList.parse(json.dumps({"keys": [entry, entry | {"roles": ["simulated"]}]}).encode())


def test_a_trust_file_that_is_not_there_is_named_with_what_to_do(tmp_path):
    with pytest.raises(InputError, match=r"none.json(.|\n)*keys export"):
        TrustList.load(tmp_path / "none.json")


def test_two_lists_together_never_give_a_key_more_than_either(tmp_path):
    one = TrustList.parse(exported(tmp_path, roles=["station", "self"], retired={"size": 3, "root": "0" * 64}))
    other = TrustList.parse(exported(tmp_path, roles=sorted(TRUST_ROLES - {"self"})))
    for both in (one.also(other), other.also(one)):
        (key,) = both.values()
        assert key.roles == {"station"}
        assert key.retired == Retired(3, "0" * 64)
