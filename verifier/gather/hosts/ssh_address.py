"""`ssh://USER@HOST[:PORT]`, taken apart."""

from __future__ import annotations

import re
from dataclasses import dataclass

from verifier.errors import InputError

_FORM = re.compile(
    r"ssh://(?P<user>[A-Za-z_][A-Za-z0-9_.-]{0,63})@"
    r"(?:\[(?P<six>[0-9A-Fa-f:.]{2,50}(?:%[A-Za-z0-9_.-]{1,20})?)\]|(?P<host>[A-Za-z0-9](?:[A-Za-z0-9._-]{0,251})?))"
    r"(?::(?P<port>\d{1,5}))?"
)


@dataclass(frozen=True, slots=True)
class SshAddress:
    user: str
    host: str
    port: int

    @classmethod
    def parse(cls, text: str) -> SshAddress:
        """InputError for what is no such address. A password has no place in it."""
        match = _FORM.fullmatch(text)
        port = int(match["port"] or 22) if match else 0
        if match is None or not 0 < port < 65_536:
            raise InputError(
                f"{text[:200]!r} does not say who is to log in where",
                where="--at",
                to_do="Write --at ssh://USER@HOST or --at ssh://USER@HOST:PORT, without a password.",
            )
        return cls(match["user"], match["six"] or match["host"], port)

    @property
    def known_as(self) -> str:
        """The name of the machine in a file of known hosts (sshd(8), SSH_KNOWN_HOSTS FILE FORMAT)."""
        return self.host if self.port == 22 else f"[{self.host}]:{self.port}"
