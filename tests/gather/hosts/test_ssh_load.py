"""A load over a real SSH link: it heats the unit while somebody is there to keep it going, and no longer."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import anyio
import pytest

from verifier.errors import BenchFault
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import Access, open_host, shell_load, ssh, ssh_words
from verifier.gather.hosts.host_keys import ensure_pinned
from verifier.gather.hosts.ssh import SshHost
from verifier.services import load_of

sys.path.insert(0, str(Path(__file__).parent))
from ssh_unit import NEEDED, SshUnit


@pytest.fixture(params=["busybox", "GNU"] if os.environ.get("VERIFIER_LONG") else ["busybox"])
def host(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[SshUnit, SshHost]]:
    monkeypatch.setattr(shell_load, "LEASE", 2.0)
    monkeypatch.setattr(shell_load, "ANSWER", 1.0)
    monkeypatch.setattr(ssh, "CONNECT_LIMIT", 1.0)
    monkeypatch.setattr(ssh_words, "GRACE", 0.5)
    online = tmp_path / "sys/devices/system/cpu/online"
    online.parent.mkdir(parents=True)
    online.write_text("0\n")
    with SshUnit(tmp_path, sys=tmp_path / "sys") as unit:
        unit.tools(NEEDED, busybox=request.param == "busybox")
        unit.let_in(tmp_path / "ssh")
        ensure_pinned(tmp_path / "ssh", unit.address, given=unit.fingerprint)
        made = open_host(unit.address, RealClocks(), access=Access(keys=tmp_path / "ssh"))
        assert isinstance(made, SshHost)
        yield unit, made


def loops(unit: SshUnit) -> list[int]:
    """Processes that turn round and round on the unit: it shares this machine's process table."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                words = (folder / "cmdline").read_bytes()
                here = (folder / "environ").read_bytes()
            except OSError:
                continue
            if b"while :; do :; done" in words and str(unit.bin).encode() in here:
                found.append(int(folder.name))
    return found


async def none_left(unit: SshUnit, within: float) -> bool:
    until = time.monotonic() + within
    while loops(unit) and time.monotonic() < until:
        await anyio.sleep(0.05)
    return not loops(unit)


def test_it_is_there_while_it_is_renewed_and_gone_when_the_cable_is(host: tuple[SshUnit, SshHost]) -> None:
    unit, made = host

    async def work() -> None:
        await made.start()
        try:
            load = load_of(made)
            await load.start(60.0)
            assert loops(unit)
            await load.stop()
            assert await none_left(unit, 2.0)
            await load.start(60.0)
            for _ in range(2):
                await anyio.sleep(1.1)
                await load.renew()
            assert loops(unit), "longer than one lease"
            unit.cable(False)
            with pytest.raises(BenchFault):
                await anyio.sleep(1.1)
                await load.renew()
            assert await none_left(unit, 5.0), "the unit goes on heating"
        finally:
            unit.cable(True)
            await made.aclose()

    anyio.run(work)
