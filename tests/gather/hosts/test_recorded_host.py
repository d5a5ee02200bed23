"""A recorded tree as a host."""

import errno
import json
from pathlib import Path

import anyio
import pytest

from verifier.errors import Absent, InputError
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import facts, open_host
from verifier.services import Host


def recorded(folder: Path) -> Host:
    return open_host(f"recorded:{folder}", RealClocks())


def port(folder: Path) -> Path:
    at = folder / "sys/devices/eth1"
    at.mkdir(parents=True)
    (folder / "sys/class/net").mkdir(parents=True)
    (folder / "sys/class/net/eth1").symlink_to("../../devices/eth1")
    (at / "type").write_text("1\n")
    return at


@pytest.mark.parametrize(
    "named", ["/sys/class/net/eth1/speed", "/sys/devices/eth1/speed", "/sys//devices/eth1/./speed"]
)
def test_a_recorded_error_is_met_by_every_name_of_the_file(tmp_path: Path, named: str) -> None:
    port(tmp_path)
    (tmp_path / "errors.json").write_text(json.dumps({named: "EINVAL"}))
    files = recorded(tmp_path).files
    for path in ("/sys/class/net/eth1/speed", "/sys/devices/eth1/speed"):
        with pytest.raises(OSError) as caught:
            anyio.run(files.read, path)
        assert caught.value.errno == errno.EINVAL
        assert anyio.run(files.exists, path)
    assert anyio.run(files.read, "/sys/class/net/eth1/type") == b"1\n"


@pytest.mark.parametrize(
    "text", ["[]", "{", '{"/x": "EWRONG"}', '{"/x": "errorcode"}', '{"/x": 22}', "[" * 100_000]
)
def test_a_bad_errors_file_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "errors.json").write_text(text)
    with pytest.raises(InputError) as caught:
        recorded(tmp_path)
    assert caught.value.where.endswith("errors.json")


def test_a_recorded_command_answers_and_another_is_absent(tmp_path: Path) -> None:
    (tmp_path / "commands").mkdir()
    result = {"argv": ["uname", "-m"], "exit": 0, "stdout": "riscv64\n"}
    (tmp_path / "commands/uname.json").write_text(json.dumps(result))
    host = recorded(tmp_path)
    assert anyio.run(host.commands.run, "uname", "-m").stdout == "riscv64\n"
    with pytest.raises(Absent, match="uname -a"):
        anyio.run(host.commands.run, "uname", "-a")


@pytest.mark.parametrize(
    "result", [[], {"argv": [], "exit": 0, "stdout": ""}, {"argv": [1], "exit": 0, "stdout": ""}]
)
def test_a_bad_command_result_is_named(tmp_path: Path, result: object) -> None:
    (tmp_path / "commands").mkdir()
    (tmp_path / "commands/x.json").write_text(json.dumps(result))
    with pytest.raises(InputError, match="argv"):
        recorded(tmp_path)


def test_facts_are_those_of_the_tree_and_not_of_this_computer(tmp_path: Path) -> None:
    assert anyio.run(facts, recorded(tmp_path)) == {}
    (tmp_path / "proc/sys/kernel").mkdir(parents=True)
    (tmp_path / "proc/sys/kernel/osrelease").write_text("5.4.0-\x1b[31mbench\n")
    (tmp_path / "usr/lib").mkdir(parents=True)
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/os-release").symlink_to("../usr/lib/os-release")
    (tmp_path / "usr/lib/os-release").write_text('NAME=x\nPRETTY_NAME="Bench system 3 \\"blue\\""\n')
    found = anyio.run(facts, recorded(tmp_path))
    assert found == {"kernel": "5.4.0- [31mbench", "system": 'Bench system 3 "blue"'}


def test_this_computer_gives_its_own_facts() -> None:
    found = anyio.run(facts, open_host("local", RealClocks()))
    assert found["kernel"] == Path("/proc/sys/kernel/osrelease").read_text().strip()
    assert found["machine"]


@pytest.mark.parametrize(
    "address", ["", "remote", "recorded", "recorded:", "ftp://bench", "Local", "recorded:/nowhere"]
)
def test_an_address_of_no_use_is_answered_with_the_forms(address: str) -> None:
    with pytest.raises(InputError) as caught:
        open_host(address, RealClocks())
    assert "recorded:DIR" in caught.value.to_do


def test_a_host_names_what_it_has_and_nothing_else(tmp_path: Path) -> None:
    assert recorded(tmp_path).services == {"files", "commands"}
    assert open_host("local", RealClocks()).services >= {"files", "commands", "net", "clock"}
    assert recorded(tmp_path).address == f"recorded:{tmp_path}"
