"""This computer as a host."""

import errno
import os
import time
from pathlib import Path

import anyio
import pytest

from verifier.errors import Absent, BenchFault
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts.local import LocalHost

HOST = LocalHost(RealClocks())


def test_reads_are_bounded_and_a_fifo_does_not_hang(tmp_path: Path) -> None:
    (tmp_path / "f").write_text("12345")
    os.mkfifo(tmp_path / "fifo")
    assert anyio.run(HOST.files.read, str(tmp_path / "f"), 5) == b"12345"
    for name, limit, expected in (("f", 4, errno.EFBIG), ("fifo", 4, errno.EINVAL), ("none", 4, errno.ENOENT)):
        with pytest.raises(OSError) as caught:
            anyio.run(HOST.files.read, str(tmp_path / name), limit)
        assert caught.value.errno == expected


def test_a_link_is_followed_to_its_end(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to("folder")
    assert anyio.run(HOST.files.real_path, str(tmp_path / "link")) == os.path.realpath(tmp_path / "folder")
    assert anyio.run(HOST.files.names, str(tmp_path)) == ["folder", "link"]
    with pytest.raises(FileNotFoundError):
        anyio.run(HOST.files.real_path, str(tmp_path / "nothing"))
    assert not anyio.run(HOST.files.exists, str(tmp_path / "nothing"))


def run(*argv: str, timeout: float = 10.0, backend: str = "asyncio") -> object:
    async def command() -> object:
        return await HOST.commands.run(*argv, timeout=timeout)

    return anyio.run(command, backend=backend)


@pytest.mark.parametrize("backend", ["asyncio", "trio"])
def test_a_command_runs_without_a_shell(backend: str) -> None:
    result = run("printf", "%s", "$HOME;ls", backend=backend)
    assert (result.exit, result.stdout) == (0, "$HOME;ls")  # type: ignore[attr-defined]
    assert run("false", backend=backend).exit == 1  # type: ignore[attr-defined]


@pytest.mark.parametrize("backend", ["asyncio", "trio"])
def test_a_command_that_does_not_end_is_ended_with_what_it_started(tmp_path: Path, backend: str) -> None:
    script = f"sleep 300 & echo $! > {tmp_path}/pid; wait"
    with pytest.raises(BenchFault, match=r"did not end within 0\.6 s"):
        run("sh", "-c", script, timeout=0.6, backend=backend)
    pid = (tmp_path / "pid").read_text().strip()
    # The kernel ends a killed process when it next runs it: soon, on a busy machine not at once.
    until = time.monotonic() + 10
    while not _gone(Path(f"/proc/{pid}/stat")):
        assert time.monotonic() < until, "what the command started is still running"
        time.sleep(0.01)


def _gone(status: Path) -> bool:
    try:
        return status.read_text().rpartition(")")[2].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


def test_a_command_that_prints_without_end_is_ended() -> None:
    with pytest.raises(BenchFault, match="printed more than"):
        run("yes")


def test_a_command_that_is_not_there_is_absent() -> None:
    with pytest.raises(Absent, match="no-such-command"):
        run("no-such-command")
