"""Asks the loopback by ICMP in a network namespace of its own. A script for a process of its own."""

import fcntl
import json
import socket
import struct
from pathlib import Path
from typing import Any

import anyio

from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.workers import run_probe

SIOCGIFFLAGS, SIOCSIFFLAGS, IFF_UP = 0x8913, 0x8914, 1
IPV4 = Path("/proc/sys/net/ipv4")


def loopback_up() -> None:
    with socket.socket() as line:
        request = bytearray(struct.pack("16sh22x", b"lo", 0))
        fcntl.ioctl(line, SIOCGIFFLAGS, request)
        (flags,) = struct.unpack_from("h", request, 16)
        struct.pack_into("h", request, 16, flags | IFF_UP)
        fcntl.ioctl(line, SIOCSIFFLAGS, request)


async def reach(target: str) -> dict[str, Any]:
    host = open_host("local", RealClocks())
    settings = {"target": target, "count": 2, "interval": 0.0, "wait": 0.2, "way": "echo"}
    return {r.name: r.value async for r in run_probe(load_catalogue().probe("network.reach"), host, settings)}


async def main() -> None:
    found = {target: await reach(target) for target in ("127.0.0.1", "::1")}
    (IPV4 / "icmp_echo_ignore_all").write_text("1")
    found["silent"] = await reach("127.0.0.1")
    found["no route"] = await reach("192.0.2.1")
    print(json.dumps(found))


if __name__ == "__main__":
    loopback_up()
    (IPV4 / "ping_group_range").write_text("0 0")
    anyio.run(main)
