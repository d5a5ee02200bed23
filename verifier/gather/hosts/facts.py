"""What a host says of its own software, for the record."""

from __future__ import annotations

import shlex

from verifier.errors import VerifierError
from verifier.services import Files, Host

OS_RELEASE = ("/etc/os-release", "/usr/lib/os-release")
"""Where a system names itself, in this order (os-release(5))."""


async def facts(host: Host) -> dict[str, str]:
    """`system`, `kernel` and `machine` of the host, in words; what it does not say is left out."""
    found = {
        "system": await _system(host.files),
        "kernel": await _line(host.files, "/proc/sys/kernel/osrelease"),
        "machine": await _line(host.files, "/proc/sys/kernel/arch") or await _uname(host),
    }
    return {name: value for name, value in found.items() if value}


async def _uname(host: Host) -> str:
    # /proc/sys/kernel/arch is young (Linux 6.1).
    try:
        result = await host.commands.run("uname", "-m")
    except VerifierError:
        return ""
    return _plain(result.stdout) if result.exit == 0 else ""


async def _line(files: Files, path: str) -> str:
    try:
        raw = await files.read(path, 4096)
    except OSError:
        return ""
    return _plain(raw.decode("utf-8", "replace"))


async def _system(files: Files) -> str:
    for path in OS_RELEASE:
        try:
            text = (await files.read(path)).decode("utf-8", "replace")
        except OSError:
            continue
        values = dict(line.split("=", 1) for line in text.splitlines() if "=" in line)
        quoted = values.get("PRETTY_NAME") or values.get("NAME") or ""
        try:
            words = shlex.split(quoted)
        except ValueError:
            words = [quoted]
        return _plain(" ".join(words))
    return ""


def _plain(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:200]
