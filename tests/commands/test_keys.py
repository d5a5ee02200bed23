import json
import re

import pytest
from click.testing import CliRunner

from verifier.commands.keys import keys
from verifier.errors import InputError
from verifier.seal.keys import load_or_create
from verifier.seal.trust import TrustList


def run(*arguments):
    return CliRunner().invoke(keys, [str(a) for a in arguments])


@pytest.fixture
def station(tmp_path):
    for role in ("station", "simulated"):
        load_or_create(tmp_path / "keys", role)
    return tmp_path


def test_show_prints_each_keys_fingerprint_and_role(station):
    key, _ = load_or_create(station / "keys", "station")
    result = run("show", "--station", station)
    assert f"station: {key.thumbprint}" in result.output
    assert "simulated: " in result.output
    assert re.search(r"telephone: (\S{4} ){10}\S{3}\n", result.output)
    rows = json.loads(run("show", "--station", station, "--json").output)["keys"]
    assert {"thumbprint": key.thumbprint, "roles": ["station"]} in rows


def test_show_without_keys_makes_none(tmp_path):
    result = run("show", "--station", tmp_path / "none")
    assert result.exit_code == 0
    assert "holds no key yet" in result.output
    assert not (tmp_path / "none").exists()


def test_export_prints_a_jwk_set_that_can_be_trusted_and_no_private_key(station):
    result = run("export", "--station", station, "--name", "bench-1")
    trusted = TrustList.parse(result.output.encode())
    assert [sorted(key.roles) for key in trusted.values()] == [["station"], ["simulated"]]
    assert {key.name for key in trusted.values()} == {"bench-1"}
    assert '"d"' not in result.output
    only = TrustList.parse(run("export", "--station", station, "--role", "station").output.encode())
    assert [key.roles for key in only.values()] == [frozenset({"station"})]


def test_export_without_keys_says_what_to_do(tmp_path):
    result = run("export", "--station", tmp_path)
    assert isinstance(result.exception, InputError)
    assert "station init" in str(result.exception)


def test_a_name_that_could_do_harm_on_a_screen_is_refused(station):
    assert isinstance(run("export", "--station", station, "--name", "bench\u202e").exception, InputError)


def jwks(folder, name):
    load_or_create(folder / "keys", "station")
    path = folder.parent / f"{name}.json"
    path.write_text(run("export", "--station", folder, "--name", name).output)
    return path


def test_a_key_is_trusted_once_its_fingerprint_was_compared_and_audits_believe_it(station, tmp_path):
    other = tmp_path / "other"
    file = jwks(other, "bench-7")
    key, _ = load_or_create(other / "keys", "station")
    refused = run("trust", file, "--station", station)
    assert isinstance(refused.exception, InputError)
    assert "compare the fingerprint" in refused.exception.what
    assert not (station / "trust.json").exists()
    done = run("trust", file, "--yes", "--station", station)
    assert done.exit_code == 0, done.output
    assert re.search(r"bench-7; to compare by eye or by telephone: (\S{4} ){10}\S{3}", done.output)
    trusted = TrustList.load(station / "trust.json")
    assert (trusted[key.thumbprint].name, trusted[key.thumbprint].roles) == ("bench-7", frozenset({"station"}))
    assert "trusted, bench-7" in run("show", "--station", station).output
    from verifier.store.station import Station
    from verifier.store.trusted import believed

    known, warnings = believed(Station.at(station))
    assert key.thumbprint in known
    assert not known[key.thumbprint].own
    assert warnings == []


def test_a_single_key_as_json_without_thumbprint_is_taken_with_a_role(station, tmp_path):
    other = tmp_path / "other"
    jwks(other, "x")
    key, _ = load_or_create(other / "keys", "station")
    jwk = {"kty": "OKP", "crv": "Ed25519", "x": key.public_jwk()["x"]}
    done = run("trust", json.dumps(jwk), "--role", "station", "--name", "bench-8", "--yes", "--station", station)
    assert done.exit_code == 0, done.output
    assert TrustList.load(station / "trust.json")[key.thumbprint].name == "bench-8"
    bare = run("trust", json.dumps(jwk), "--yes", "--station", station)
    assert isinstance(bare.exception, InputError), "a key without a role vouches for nothing"


def test_trusting_again_renames_and_never_forgets_that_a_key_was_retired(station, tmp_path):
    other = tmp_path / "other"
    before = jwks(other, "bench-7")
    old = before.read_text()
    assert run("retire", "station", "--yes", "--station", other).exit_code == 0
    after = tmp_path / "after.json"
    after.write_text(run("export", "--station", other).output)
    (kid,) = TrustList.load(after)
    run("trust", after, "--yes", "--station", station)
    run("trust", old, "--yes", "--name", "bench-9", "--station", station)
    key = TrustList.load(station / "trust.json")[kid]
    assert key.name == "bench-9"
    assert key.retired is not None
    assert key.retired.size == 0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("missing.json", "cannot be read"),
        ('{"keys":}', "no strict JSON"),
        ('{"keys":[]}', "no key in it"),
        ('{"kty":"OKP","crv":"Ed25519","x":"AA","kid":"x","roles":["station"]}', "no Ed25519 public key"),
        ('{"kty":"OKP","crv":"Ed25519","d":"AA"}', "private key"),
    ],
)
def test_what_is_no_key_is_refused_in_words(station, text, said):
    result = run("trust", text, "--yes", "--station", station)
    assert isinstance(result.exception, InputError)
    assert said in str(result.exception)
    assert not (station / "trust.json").exists()


def test_a_key_is_not_trusted_in_a_role_that_it_does_not_have(station, tmp_path):
    file = jwks(tmp_path / "other", "bench-7")
    result = run("trust", file, "--role", "simulated", "--yes", "--station", station)
    assert isinstance(result.exception, InputError)
    assert "not for simulated" in str(result.exception)


def test_retiring_asks_first_and_show_and_export_say_it(station):
    key, _ = load_or_create(station / "keys", "station")
    asked = run("retire", "station", "--station", station)
    assert isinstance(asked.exception, InputError)
    done = run("retire", "station", "--yes", "--station", station)
    assert done.exit_code == 0, done.output
    shown = json.loads(run("show", "--station", station, "--json").output)
    assert [row["thumbprint"] for row in shown["retired"]] == [key.thumbprint]
    assert key.thumbprint not in {row["thumbprint"] for row in shown["keys"]}
    exported = {entry["kid"]: entry for entry in json.loads(run("export", "--station", station).output)["keys"]}
    assert exported[key.thumbprint]["retired"]["size"] == 0
    assert len(exported) == 2
    assert set(json.loads(run("export", "--role", "station", "--station", station).output)["keys"][0]) >= {
        "retired"
    }
