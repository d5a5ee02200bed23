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
