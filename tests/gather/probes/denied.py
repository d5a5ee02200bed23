"""Runs probes on each kind of host while this machine's own /sys, /proc, /dev and sockets are denied.

A script for a process of its own: an audit hook cannot be taken back. Prints, for each probe of this
installation, what it tried to reach; a probe for which no settings are known that it takes is reported
too, since it was not tried. Arguments: the tree's folder, and any probes that are not installed as module:name.
"""

import importlib
import json
import os
import sys
import tomllib
from typing import Any

import anyio

from verifier.errors import InputError, VerifierError
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.workers import run_probe, settings_of
from verifier.gather.workers.proxied import ProxiedHost, answered, taken
from verifier.services import Host

OWN = ("/sys", "/proc", "/dev", "/etc", "/run")
OPENING = {"open", "os.listdir", "os.scandir", "os.chdir"}
REACHING = {"socket.__new__", "socket.connect", "subprocess.Popen", "os.posix_spawn", "os.exec", "os.fork"}
SETTINGS: dict[str, list[dict[str, Any]]] = {
    "usb.device": [{"path": "1-1"}, {"path": "2-2"}],
    "ethernet.link": [{"interface": "eth0"}],
    "display.connector": [{"connector": "DP-5"}],
    "wifi.signal": [{"interface": "wlan1"}],
    "storage.device": [{"device": "sda"}],
    "storage.health": [{"device": "sda"}],
    "power.supply": [{"name": "AC"}],
}
"""What the probes are asked beside nothing at all and what their own example asks."""

reached: list[str] = []
watching = False


def judge(event: str, path: object) -> None:
    text = os.fsdecode(path) if isinstance(path, str | bytes | os.PathLike) else ""
    if watching and (event in REACHING or text.startswith(OWN)):
        reached.append(f"{event} {text}".strip())
        raise PermissionError(f"denied: {event} {text}")


def hook(event: str, arguments: tuple[Any, ...]) -> None:
    if event in OPENING or event in REACHING:
        judge(event, arguments[0] if arguments else "")


def unaudited(name: str) -> None:
    """stat and its kin raise no audit event."""
    real = getattr(os, name)

    def call(path: Any, *arguments: Any, **named: Any) -> Any:
        judge(f"os.{name}", path)
        return real(path, *arguments, **named)

    setattr(os, name, call)


class Hurried(RealClocks):
    """Clocks that jump, so that a probe which waits for a plug or a press is soon done."""

    def __init__(self) -> None:
        super().__init__()
        self.ahead = 0.0

    def loop(self) -> float:
        return super().loop() + self.ahead

    def boot(self) -> float:
        return super().boot() + self.ahead

    def wall(self) -> float:
        return super().wall() + self.ahead

    async def sleep(self, seconds: float) -> None:
        self.ahead += seconds
        await anyio.sleep(0)


def hosts(folder: str) -> list[Host]:
    """A recorded tree; the same over SSH, as a worker has it; a console that says OK; a unit that runs nothing."""
    recorded = open_host(f"recorded:{folder}", Hurried())

    def over_ssh(what: str, arguments: list[Any]) -> Any:
        try:
            answered(recorded, what, arguments).send(None)  # a recorded tree never waits
        except StopIteration as done:
            return taken(done.value)
        raise AssertionError("it waited")

    def over_console(what: str, arguments: list[Any]) -> Any:
        assert what == "ask"
        return "OK"

    return [
        recorded,
        ProxiedHost("ssh://unit@192.0.2.1", frozenset({"files", "commands"}), Hurried(), over_ssh),
        ProxiedHost("serial:/dev/ttyUSB0", frozenset({"console"}), Hurried(), over_console),
        open_host("none", Hurried()),
    ]


async def tried(probe: Any, host: Host, settings: dict[str, Any]) -> list[str]:
    global watching  # noqa: PLW0603 - the hook is global too
    reached.clear()
    watching = True
    try:
        async for _ in run_probe(probe, host, settings):
            pass
    except VerifierError:
        pass
    finally:
        watching = False
    return list(reached)


def to_try(probe: Any) -> list[dict[str, Any]]:
    """Settings that the probe takes: none, those of its example, and ours."""
    declaration = probe.declaration
    examples = tomllib.loads(declaration.example).get("checks", [])
    asked = [c.get("settings", {}) for c in examples if c.get("probe") == declaration.name]
    taken = []
    for given in ({}, *asked, *SETTINGS.get(declaration.name, [])):
        try:
            settings_of(declaration, given)
        except InputError:
            continue
        taken.append(given)
    return taken


async def main(folder: str, *others: str) -> None:
    catalogue = load_catalogue()
    probes = [catalogue.probe(name) for name in catalogue.names()]
    for other in others:
        module, name = other.split(":")
        probes.append(getattr(importlib.import_module(module), name)())
    found: dict[str, list[str]] = {}
    for probe in probes:
        name = probe.declaration.name
        settings = to_try(probe)
        found[name] = [] if settings else ["not tried: its declaration has no example that it takes"]
        for given in settings:
            for host in hosts(folder):
                found[name].extend(await tried(probe, host, given))
    print(json.dumps(found))


if __name__ == "__main__":
    sys.addaudithook(hook)
    for function in ("stat", "lstat", "access", "readlink"):
        unaudited(function)
    anyio.run(main, *sys.argv[1:])
