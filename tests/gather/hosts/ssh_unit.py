"""A unit behind a real OpenSSH server, in a network namespace of its own at the far end of a veth cable.

Its /sys is a recorded tree (bound over the real one in a mount namespace of its own), its PATH holds nothing but
the programs named. The system's own sshd, its keys and its settings are not touched.
"""

from __future__ import annotations

import itertools
import os
import shutil
import socket
import subprocess
import time
from contextlib import suppress
from pathlib import Path
from typing import Self

NEEDED = ("sh", "cat", "ls", "readlink", "timeout")
_numbers = itertools.count()

_START = """
set -e
mount --make-rprivate /
mount -t tmpfs none /run
mkdir -m 755 /run/sshd
mount --bind {folder}/shadow /etc/shadow
{binds}
exec /usr/sbin/sshd -D -e -f {folder}/sshd_config
"""


def sh(*argv: str, check: bool = True) -> str:
    return subprocess.run(argv, check=check, capture_output=True, text=True).stdout


class SshUnit:
    """`with SshUnit(folder, sys=tree) as unit: ...`; `unit.address` is for --at."""

    def __init__(self, folder: Path, *, sys: Path | None = None) -> None:
        assert os.getuid() == 0, (
            "these tests make network namespaces and run a server of their own: run them as root"
        )
        self.folder = folder / f"unit-{next(_numbers)}"
        self.folder.mkdir(parents=True)
        number = (os.getpid() * 16 + next(_numbers)) % 16_000
        self.name = f"ssh{number}"
        self.ours, self.theirs = f"{self.name}b", f"{self.name}u"
        high, low = divmod(number * 4, 256)
        self._net = f"10.21{high // 256}.{high % 256}"
        self.bench_ip, self.ip = f"{self._net}.{low + 1}", f"{self._net}.{low + 2}"
        self.address = f"ssh://root@{self.ip}"
        self.bin = self.folder / "bin"
        self._sys = sys
        self._server: subprocess.Popen[bytes] | None = None
        self.tools(NEEDED)

    def tools(self, names: tuple[str, ...], busybox: bool = False) -> None:
        """What the unit has; from this machine, or all of them from busybox."""
        shutil.rmtree(self.bin, ignore_errors=True)
        self.bin.mkdir()
        for name in names:
            target = "/bin/busybox" if busybox else shutil.which(name)
            assert target
            (self.bin / name).symlink_to(target)

    def tool(self, name: str, script: str) -> None:
        """A tool of the unit that does something else."""
        (self.bin / name).unlink(missing_ok=True)
        (self.bin / name).write_text(f"#!/bin/bash\nPATH=/usr/bin:/bin\n{script}\n")
        (self.bin / name).chmod(0o755)

    def new_host_key(self) -> None:
        for old in self.folder.glob("host_key*"):
            old.unlink()
        sh("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(self.folder / "host_key"))

    @property
    def fingerprint(self) -> str:
        return sh("ssh-keygen", "-lf", str(self.folder / "host_key.pub")).split()[1]

    def let_in(self, keys: Path) -> None:
        """Give the station whose SSH folder is `keys` a key that the unit lets in."""
        keys.mkdir(parents=True, exist_ok=True)
        shutil.copy(self.folder / "user_key", keys / "key")
        (keys / "key").chmod(0o600)

    def __enter__(self) -> Self:
        sh("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(self.folder / "user_key"))
        shutil.copy(self.folder / "user_key.pub", self.folder / "authorized_keys")
        self.new_host_key()
        (self.folder / "shadow").write_text("root:*:19000:0:99999:7:::\n")
        self.folder.joinpath("sshd_config").write_text(
            f"ListenAddress {self.ip}\nHostKey {self.folder}/host_key\nPidFile none\nUsePAM no\nStrictModes no\n"
            f"AuthorizedKeysFile {self.folder}/authorized_keys\nPermitRootLogin prohibit-password\n"
            f"PasswordAuthentication no\nKbdInteractiveAuthentication no\nLogLevel ERROR\nMaxStartups 100\n"
            f"SetEnv PATH={self.bin}\n"
        )
        sh("ip", "netns", "add", self.name)
        sh("ip", "link", "add", self.ours, "type", "veth", "peer", "name", self.theirs, "netns", self.name)
        sh("ip", "address", "add", f"{self.bench_ip}/30", "dev", self.ours)
        self._inside("ip", "address", "add", f"{self.ip}/30", "dev", self.theirs)
        self._inside("ip", "link", "set", self.theirs, "up")
        self.cable(True)
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        sh("ip", "link", "del", self.ours, check=False)
        sh("ip", "netns", "del", self.name, check=False)

    def _inside(self, *argv: str) -> str:
        return sh("ip", "netns", "exec", self.name, *argv)

    def cable(self, plugged: bool) -> None:
        sh("ip", "link", "set", self.ours, "up" if plugged else "down")

    def slow(self, rate: str) -> None:
        """Shape both directions of the cable."""
        limits = ("root", "tbf", "rate", rate, "burst", "4kb", "latency", "200ms")
        sh("tc", "qdisc", "replace", "dev", self.ours, *limits)
        self._inside("tc", "qdisc", "replace", "dev", self.theirs, *limits)

    def start(self) -> None:
        binds = f"mount --bind {self._sys} /sys" if self._sys else ""
        script = _START.format(folder=self.folder, binds=binds)
        self._server = subprocess.Popen(
            ["ip", "netns", "exec", self.name, "unshare", "-m", "sh", "-c", script],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        until = time.monotonic() + 20
        while time.monotonic() < until and self._server.poll() is None:
            with suppress(OSError), socket.create_connection((self.ip, 22), 1):
                return
            time.sleep(0.02)
        assert self._server.stderr is not None
        self._server.kill()
        raise AssertionError(f"sshd did not start: {self._server.stderr.read().decode()}")

    def stop(self) -> None:
        """Kill the server and every session of it: all that lives in the unit's namespace."""
        for pid in sh("ip", "netns", "pids", self.name, check=False).split():
            with suppress(ProcessLookupError):
                os.kill(int(pid), 9)
        if self._server is not None:
            self._server.wait()
            if self._server.stderr is not None:
                self._server.stderr.close()
            self._server = None
