"""A load over the SSH connection itself, against a real OpenSSH server behind a shaped cable."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import anyio
import pytest

from verifier.errors import BenchFault, NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import Access, open_host
from verifier.gather.hosts.host_keys import ensure_pinned
from verifier.gather.hosts.ssh import SshHost
from verifier.gather.workers import WorkerPool, run_probe
from verifier.readings import Reading

sys.path.insert(0, str(Path(__file__).parent))
from ssh_unit import NEEDED, SshUnit

RATE = 20.0
"""Mbit/s of the cable."""


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SshUnit]:
    """One with its own /sys, so that its interface counts what really goes over the cable."""
    with SshUnit(tmp_path_factory.mktemp("unit")) as made:
        made.slow(f"{RATE:g}mbit")
        yield made


@pytest.fixture
def over(unit: SshUnit, tmp_path: Path) -> Callable[..., dict[str, Reading]]:
    unit.tools(NEEDED)
    unit.let_in(tmp_path)
    ensure_pinned(tmp_path, unit.address, given=unit.fingerprint)
    probe = load_catalogue().probe("network.over_ssh")

    def take(*, in_worker: bool = False, **settings: Any) -> dict[str, Reading]:
        given = {"interface": unit.theirs, "seconds": 1.0, **settings}

        async def run() -> dict[str, Reading]:
            host = open_host(unit.address, RealClocks(), access=Access(keys=tmp_path))
            assert isinstance(host, SshHost)
            await host.start()
            try:
                if not in_worker:
                    steps = [one async for one in run_probe(probe, host, given)]
                    return {one.name: one for one in steps if isinstance(one, Reading)}
                declared = probe.declaration
                async with WorkerPool(host) as pool:
                    taken = pool.take(declared.name, given, unit.address, declaration=declared, deadline=60)
                    return {one.name: one async for one in taken}
            finally:
                await host.aclose()

        return anyio.run(run)

    return take


def test_it_gives_no_more_than_the_cable_carries_and_says_at_least(over: Callable[..., Any]) -> None:
    found = over(in_worker=True)
    for way in ("up", "down"):
        # tbf counts each frame with its Ethernet header; 4 kB pass at once at the beginning (tc-tbf(8)).
        assert 1 < found[way].value <= RATE * 1.01 and found[way].unit == "Mbit/s"
        assert found[way].conditions.at_least and "encryption" in found[way].conditions.remark
    assert found["errors_seen"].value == 0


@pytest.mark.parametrize(("limit", "warned"), [("at_least = 40", False), ("at_least = 40, at_most = 1000", True)])
def test_an_upper_limit_on_a_lower_bound_is_warned_of(limit: str, warned: bool, tmp_path: Path) -> None:
    (tmp_path / "suite.toml").write_text(f"""
schema = 1
model = "depot-kiosk"
title = "Kiosk"
revision = 1
[[checks]]
id = "lan"
title = "Port carries a load"
probe = "network.over_ssh"
settings = {{ interface = "eth0" }}
limits = [{{ reading = "up", {limit}, unit = "Mbit/s", source = "test" }}]
""")
    lint = [sys.executable, "-m", "verifier", "suite", "lint", str(tmp_path / "suite.toml")]
    told = subprocess.run(lint, capture_output=True, text=True, check=True)
    assert ("lower bound" in told.stdout + told.stderr) is warned


def test_an_interface_that_the_connection_does_not_use_gets_no_credit(over: Callable[..., Any]) -> None:
    with pytest.raises(NotPossible, match="goes another way"):
        over(interface="lo", direction="up")


@pytest.mark.parametrize(("way", "script"), [("up", "exit 1"), ("down", "exec head -c 5000 >/dev/null")])
def test_a_unit_that_does_not_do_it_gets_no_figure(
    unit: SshUnit, over: Callable[..., Any], way: str, script: str
) -> None:
    # `down`: it takes a little and says that all is well; what it left unread was not carried to it.
    unit.tool("cat", f'case "$*" in ""|/dev/zero) {script};; esac; exec cat "$@"')
    with pytest.raises((BenchFault, NotPossible)):
        over(direction=way)
