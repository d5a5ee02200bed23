"""Which key each unit showed when it was first reached over SSH: the station's own file of known hosts.

1. A station trusts no other file: what an account has met elsewhere says nothing of the units on this bench.
2. A first key is pinned only after a person has confirmed its fingerprint, or has given it beforehand.
3. A key that is not the pinned one is refused. It takes the place of the pinned one only where a person gives its
   own fingerprint: another unit at the same address, or one whose board was replaced.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.errors import HostError, InputError
from verifier.gather.hosts.ssh_address import SshAddress

if TYPE_CHECKING:
    import asyncssh

KNOWN = "known_hosts"
FILE_LIMIT = 1 << 20
ASK_LIMIT = 10.0
"""Seconds to wait for a unit to show its key."""


def pinned(folder: Path, address: SshAddress) -> asyncssh.SSHKey | None:
    """The pinned key of that machine; InputError where the file cannot be read."""
    import asyncssh

    for number, (name, key) in enumerate(_lines(folder), start=1):
        if name == address.known_as:
            try:
                return asyncssh.import_public_key(key)
            except (asyncssh.Error, ValueError) as error:
                raise InputError(
                    f"line {number} holds no key: {error}",
                    where=str(folder / KNOWN),
                    to_do="Take the line away; the unit's key is then asked for again.",
                ) from None
    return None


def pin(folder: Path, address: SshAddress, key: asyncssh.SSHKey) -> None:
    """Write the key down, in place of an earlier one of the same machine; on disk when this returns."""
    kept = [f"{name} {line}\n" for name, line in _lines(folder) if name != address.known_as]
    words = key.export_public_key("openssh").decode("ascii").split()
    kept.append(f"{address.known_as} {words[0]} {words[1]}\n")
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        aside = folder / f"{KNOWN}.new"
        with aside.open("w", encoding="ascii") as file:
            file.writelines(kept)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(folder / KNOWN)
    except OSError as error:
        raise InputError(
            f"the unit's key cannot be kept: {error.strerror}",
            where=str(folder / KNOWN),
            to_do="Make room, or name a folder that you may write to with --station DIR.",
        ) from None


def presented(address: SshAddress) -> asyncssh.SSHKey:
    """The key that the machine shows now. HostError where none answers."""
    import asyncio

    import asyncssh

    async def ask() -> asyncssh.SSHKey | None:
        async with asyncio.timeout(ASK_LIMIT):
            return await asyncssh.get_server_host_key(address.host, address.port, config=None)

    why = f"there is no answer within {ASK_LIMIT:g} s"
    try:
        key = asyncio.run(ask())
        if key is not None:
            return key
        why = "what answers there shows no key"
    except TimeoutError:
        pass
    except (asyncssh.Error, OSError) as error:
        why = plain(str(error))
    raise HostError(
        f"the unit cannot be reached: {why}",
        where=f"ssh://{address.user}@{address.known_as}",
        to_do="Is it switched on, its cable in, and SSH running on it?",
    )


def ensure_pinned(
    folder: Path,
    text: str,
    *,
    given: str | None = None,
    confirm: Callable[[str, str], bool] | None = None,
) -> str:
    """See to it that the key of the unit at this address is pinned; its fingerprint.

    `given` is a fingerprint that a person gave; `confirm` asks one, with the machine's name and the fingerprint.
    HostError when the unit shows another key than the pinned one, or than the one given; InputError when nobody
    has confirmed its first key.
    """
    address = SshAddress.parse(text)
    known = pinned(folder, address)
    if known is not None and given is None:
        # Whether the unit still shows it is decided where it is reached.
        return known.get_fingerprint()
    key = presented(address)
    shown = key.get_fingerprint()
    if given is not None:
        if given != shown:
            raise HostError(
                f"the unit shows the key {shown}, not {given[:100]}",
                where=address.known_as,
                to_do="Read the fingerprint on the unit itself (`ssh-keygen -lf` its host key), and give that.",
            )
    elif confirm is None or not confirm(address.known_as, shown):
        raise InputError(
            f"this station has never reached {address.known_as}, and nobody has confirmed its key {shown}",
            where="--at",
            to_do=f"Compare it with the unit's own, then answer yes in a terminal or add --host-key {shown}.",
        )
    if known is None or known.get_fingerprint() != shown:
        pin(folder, address, key)
    return shown


def plain(text: str) -> str:
    """What another machine says, as one short printable line."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:200]


def _lines(folder: Path) -> list[tuple[str, str]]:
    file = folder / KNOWN
    try:
        with file.open("rb") as opened:
            raw = opened.read(FILE_LIMIT + 1)
    except FileNotFoundError:
        return []
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(file)) from None
    if len(raw) > FILE_LIMIT:
        raise InputError(f"is longer than {FILE_LIMIT} bytes", where=str(file), to_do="Take old lines away.")
    lines = raw.decode("ascii", "replace").splitlines()
    return [(name, rest) for name, _, rest in (line.partition(" ") for line in lines) if name and rest]
