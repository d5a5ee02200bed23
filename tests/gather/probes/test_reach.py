"""Reachability, on the loopback and in a network namespace."""

import json
import socket
import statistics
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import anyio
import pytest

from verifier.errors import NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.probes.reach import Settings
from verifier.gather.workers import run_probe
from verifier.readings import Reading

HERE = Path(__file__).parent


def take(host: Any, **settings: object) -> dict[str, Reading]:
    async def collect() -> dict[str, Reading]:
        return {r.name: r async for r in run_probe(load_catalogue().probe("network.reach"), host, settings)}

    return anyio.run(collect)


def local() -> Any:
    return open_host("local", RealClocks())


@pytest.mark.parametrize("open_port", [True, False])
def test_tcp_on_the_loopback_answers_whether_the_port_is_open_or_not(open_port: bool) -> None:
    """RFC 9293, 3.10.7.1: a closed port answers with a reset."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        if open_port:
            listening.listen()
        port = listening.getsockname()[1]
        found = take(local(), target="localhost", count=3, interval=0.0, way="connect", port=port)
    assert {n: found[n].value for n in ("method", "address", "sent", "lost", "loss")} == {
        "method": "tcp-connect",
        "address": "127.0.0.1",
        "sent": 3,
        "lost": 0,
        "loss": 0.0,
    }
    times = found["round_trip"].series
    assert times is not None and len(times.values) == 3 and found["longest"].value == max(times.values)


class Answers:
    """A network whose answers are given beforehand; `echo` refuses when `allowed` is False."""

    def __init__(self, *times: float | None, allowed: bool = True) -> None:
        self.times, self.allowed, self.used = list(times), allowed, set[str]()

    async def resolve(self, name: str) -> str:
        return "192.0.2.7"

    async def echo(self, address: str, sequence: int, timeout: float) -> float | None:
        if not self.allowed:
            raise NotPossible("no echo here")
        if timeout == 0:
            return None
        self.used.add("echo")
        return self.times.pop(0)

    async def connect(self, address: str, port: int, timeout: float) -> float | None:
        self.used.add("connect")
        return self.times.pop(0)


def host_with(net: Answers) -> Any:
    async def sleep(seconds: float) -> None:
        pass

    clocks = SimpleNamespace(sleep=sleep, loop=lambda: 0.0)
    return SimpleNamespace(address="elsewhere", services={"net"}, net=net, clocks=clocks)


def test_losses_and_the_uncertainty_of_the_mean() -> None:
    """u of the mean = s/√n with n - 1 degrees of freedom (JCGM 100, 4.2.3)."""
    found = take(host_with(Answers(0.001, None, 0.003, 0.002)), target="far", count=4)
    assert (found["lost"].value, found["loss"].value) == (1, 25.0)
    assert (found["round_trip"].value, found["longest"].value) == (pytest.approx(2.0), 3.0)
    (contribution,) = found["round_trip"].contributions
    assert (contribution.dof, contribution.basis) == (2, "repeats")
    assert contribution.u == pytest.approx(statistics.stdev([1, 2, 3]) / 3**0.5)


def test_nothing_comes_back() -> None:
    found = take(host_with(Answers(None, None)), target="far", count=2)
    assert found["loss"].value == 100.0 and "round_trip" not in found


@pytest.mark.parametrize(("way", "used"), [("any", "connect"), ("connect", "connect")])
def test_without_the_right_to_echo_tcp_is_used_and_it_says_so(way: str, used: str) -> None:
    net = Answers(0.001, allowed=False)
    found = take(host_with(net), target="far", count=1, way=way)
    assert net.used == {used} and found["method"].value == "tcp-connect"


def test_who_insists_on_echo_is_told() -> None:
    with pytest.raises(NotPossible, match="no echo here"):
        take(host_with(Answers(allowed=False)), target="far", count=1, way="echo")


def test_a_name_that_leads_nowhere(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise socket.gaierror(-2, "unknown")

    monkeypatch.setattr(socket, "getaddrinfo", fails)
    with pytest.raises(NotPossible, match=r"'nowhere\.invalid' leads to no address"):
        take(local(), target="nowhere.invalid", count=1)


@pytest.mark.parametrize(
    "settings", [{"target": ""}, {"target": "a b"}, {"count": 0}, {"wait": 0}, {"way": "shout"}, {"port": 0}]
)
def test_settings_that_make_no_sense(settings: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"target|count|way"):
        Settings(**{"target": "far", **settings})


def test_icmp_in_a_network_of_its_own() -> None:
    """In namespaces of its own a test may allow echo to itself, and forbid its kernel to answer."""
    result = subprocess.run(
        ["unshare", "--user", "--map-root-user", "--net", sys.executable, str(HERE / "alone.py")],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert result.returncode == 0, result.stderr
    found = json.loads(result.stdout)
    for family in ("127.0.0.1", "::1"):
        assert found[family]["method"] == "icmp-echo" and found[family]["lost"] == 0
        assert 0 < found[family]["round_trip"] <= found[family]["longest"] < 1000
    assert (found["silent"]["method"], found["silent"]["loss"]) == ("icmp-echo", 100.0)
    assert (found["no route"]["lost"], "round_trip" in found["no route"]) == (2, False)
