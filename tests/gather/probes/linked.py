"""Two linked ports in a network of its own, read by probe and by ethtool. A script for a process of its own."""

import json
import subprocess
from typing import Any

import anyio

from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.workers import run_probe


def command(*argv: str) -> str:
    return subprocess.run(argv, check=True, capture_output=True, text=True).stdout


async def read() -> dict[str, Any]:
    host = open_host("local", RealClocks())
    probe = load_catalogue().probe("ethernet.link")
    readings = {r.name: r.value async for r in run_probe(probe, host, {"interface": "near"})}
    return {"probe": readings, "ethtool": command("ethtool", "near")}


async def main() -> None:
    command("mount", "-t", "sysfs", "sysfs", "/sys")
    command("ip", "link", "add", "near", "type", "veth", "peer", "name", "far")
    command("ip", "link", "set", "near", "up")
    command("ip", "link", "set", "far", "up")
    up = await read()
    command("ip", "link", "set", "far", "down")
    print(json.dumps([up, await read()]))


if __name__ == "__main__":
    anyio.run(main)
