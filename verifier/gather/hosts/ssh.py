"""A unit that runs its own Linux, read over SSH (`--at ssh://USER@HOST`).

1. One connection, owned by this process; each read is one command over it, ended on the unit by timeout(1).
2. Only the pinned host key is accepted (`host_keys`); nothing is forwarded, no password is ever sent.
3. Whatever comes back is bounded: a longer file, list or output is refused, never cut.
4. A link that is lost or does not answer is a BenchFault in words, and is opened anew for the next read.
asyncssh runs on asyncio only; so does a sitting.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeVar

import anyio

from verifier.errors import Absent, BenchFault, HostError, NotPossible
from verifier.gather.hosts import ssh_words as words
from verifier.gather.hosts.host_keys import pinned, plain
from verifier.gather.hosts.input_events import GONE, RECORD_LIMIT, events_of, node_of
from verifier.gather.hosts.local import NAMES_LIMIT, OUTPUT_LIMIT
from verifier.gather.hosts.shell_load import ShellLoad
from verifier.gather.hosts.ssh_address import SshAddress
from verifier.gather.hosts.ssh_said import WORDS_LIMIT, Said, say
from verifier.services import Bulk, Carried, Clocks, CommandResult, InputEvent, TimeReferences

if TYPE_CHECKING:
    import asyncssh

T = TypeVar("T")
CONNECT_LIMIT = 10.0
"""Seconds until the unit must have answered, and again until it must have let us in."""
READ_LIMIT = 10.0
"""Seconds that one file, list or link may take on the unit."""
ALIVE = (5.0, 3)
"""Seconds between two signs of life, and how many may be missed."""
AT_ONCE = 6
"""Commands at one time over the connection; the others wait. OpenSSH takes ten unless told otherwise
(sshd_config(5), MaxSessions), and one that was given up is counted there until it has ended."""
KEY = "key"
"""Name of the station's own key file, used where it is there beside what an agent holds."""


class SshLink:
    """The connection, opened when it is needed and again when it was lost."""

    def __init__(self, address: SshAddress, keys: Path | None) -> None:
        self._address, self._keys = address, keys
        self._connection: asyncssh.SSHClientConnection | None = None
        self._lock, self._places = anyio.Lock(), anyio.Semaphore(AT_ONCE)
        self.fingerprint = ""

    async def open(self) -> None:
        """HostError where the unit cannot be reached, shows another key or lets nobody in."""
        import asyncssh

        key = pinned(self._keys, self._address) if self._keys else None
        if key is None:
            raise self._error(
                "its key is not known at this station",
                "Run once in a terminal and confirm it, or give it with --host-key FINGERPRINT.",
            )
        self._connection = None
        own = self._own_key()
        begun: list[asyncssh.SSHClientConnection] = []

        class Client(asyncssh.SSHClient):
            def connection_made(self, conn: asyncssh.SSHClientConnection) -> None:
                begun.append(conn)

        try:
            with anyio.fail_after(CONNECT_LIMIT * 2):
                self._connection = await asyncssh.connect(
                    self._address.host,
                    self._address.port,
                    client_factory=Client,
                    username=self._address.user,
                    known_hosts=([key], [], []),
                    client_keys=[str(own)] if own else (),
                    preferred_auth="publickey",
                    config=None,
                    agent_forwarding=False,
                    x11_forwarding=False,
                    compression_algs=["none"],  # what is carried is counted (ssh_bulk)
                    connect_timeout=CONNECT_LIMIT,
                    login_timeout=0,  # of connect_timeout; its own leaves the socket open
                    keepalive_interval=ALIVE[0],
                    keepalive_count_max=ALIVE[1],
                )
        except (asyncssh.Error, asyncssh.KeyImportError, asyncssh.KeyEncryptionError, OSError) as error:
            raise self._refused(error, key) from None
        finally:
            if self._connection is None:
                await _abort(*begun)  # given up half-way
        self.fingerprint = key.get_fingerprint()

    def _own_key(self) -> Path | None:
        own = self._keys / KEY if self._keys else None
        return own if own and own.is_file() else None

    def _refused(self, error: Exception, key: asyncssh.SSHKey) -> HostError:
        import asyncssh

        if isinstance(error, asyncssh.HostKeyNotVerifiable):
            return self._error(
                f"it shows another key than the one this station knows, {key.get_fingerprint()}",
                "Something else may be answering there. If this is another unit, or its board was replaced, read "
                "the new fingerprint on the unit itself and start the run with --host-key FINGERPRINT.",
            )
        if isinstance(error, asyncssh.PermissionDenied):
            file = self._keys / KEY if self._keys else KEY
            return self._error(
                f"it does not let {self._address.user} in",
                f"Put the station's key on the unit: one that the SSH agent holds, or the file {file}.",
            )
        if isinstance(error, asyncssh.KeyImportError | asyncssh.KeyEncryptionError):
            return self._error(
                f"the key file {self._own_key() or ''} cannot be used: {plain(str(error))}",
                "A key with a password belongs into the SSH agent.",
            )
        if isinstance(error, TimeoutError):
            return self._error("there is no answer in time", "Is it switched on, and its cable in?")
        return self._error(plain(str(error)), "Is it switched on, its cable in, and SSH running on it?")

    async def say(self, command: str, *, limit: int, seconds: float) -> Said:
        """Run one command line on the unit. BenchFault where the link does not carry it."""
        return await self._over(lambda live: say(live, command, limit), seconds)

    async def carry(self, way: Literal["up", "down"], seconds: float) -> Carried:
        """Much data one way (`ssh_bulk`). BenchFault as with `say`, or where the unit's cat did not do it."""
        from verifier.gather.hosts.ssh_bulk import DRAIN, carry

        found = await self._over(lambda live: carry(live, way, seconds), seconds + DRAIN)
        if found is None:
            raise BenchFault("the unit's shell did not carry the load to its end")
        return found

    async def _over(self, work: Callable[[asyncssh.SSHClientConnection], Awaitable[T]], seconds: float) -> T:
        """Something over the connection, within its time, beside a few others at the most."""
        import asyncssh

        async with self._places:
            connection = await self._live()
            try:
                with anyio.fail_after(seconds + words.GRACE):
                    return await work(connection)
            except asyncssh.ChannelOpenError as error:
                # Of this command alone: what else is under way over the connection goes on.
                why = f"{plain(error.reason)} (MaxSessions of its server)"
                raise BenchFault(f"the unit takes no further command over SSH: {why}") from None
            except TimeoutError:
                await self.drop()
                within = f"{seconds + words.GRACE:g} s"
                raise BenchFault(
                    f"the unit did not answer over SSH within {within}: the link is slow or broken"
                ) from None
            except (asyncssh.Error, OSError) as error:
                await self.drop()
                raise BenchFault(
                    f"the link to the unit was lost: {plain(str(error)) or 'it was closed'}"
                ) from None

    async def _live(self) -> asyncssh.SSHClientConnection:
        async with self._lock:
            if self._connection is None or self._connection.is_closed():
                try:
                    await self.open()
                except HostError as error:
                    raise BenchFault(
                        f"the link to the unit was lost and cannot be opened again: {error.what}"
                    ) from None
            assert self._connection is not None  # noqa: S101 - opened above
            return self._connection

    async def drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            await _abort(connection)

    def _error(self, what: str, to_do: str) -> HostError:
        where = f"ssh://{self._address.user}@{self._address.known_as}"
        return HostError(f"the unit cannot be reached: {what}", where=where, to_do=to_do)


async def _abort(*connections: asyncssh.SSHClientConnection) -> None:
    """Close them at once, without a farewell, and their sockets before this returns."""
    for connection in connections:
        connection.abort()
    with anyio.CancelScope(shield=True), anyio.move_on_after(1.0):
        for connection in connections:
            await connection.wait_closed()
        await anyio.sleep(0)  # the socket itself goes in the turn after


def _failed(said: Said, path: str) -> Exception:
    """What a command that did not work met: the errno that it named, or the bench's fault."""
    if said.exit == words.TIMED_OUT:
        return BenchFault(f"the unit did not give {path[:200]} within {READ_LIMIT:g} s")
    number = words.error_number(said.err)
    if number is not None:
        return OSError(number, os.strerror(number), path)
    return BenchFault(
        f"the unit could not give {path[:200]}: {plain(said.err) or f'exit code {said.exit}, without a word'}"
    )


class SshFiles:
    def __init__(self, link: SshLink) -> None:
        self._link = link

    async def read(self, path: str, limit: int = 65_536) -> bytes:
        words.refuse_path(path)
        said = await self._link.say(words.reading(path, READ_LIMIT), limit=limit, seconds=READ_LIMIT)
        if said.flooded:
            raise OSError(errno.EFBIG, f"longer than {limit} bytes", path)
        if said.exit == words.IS_FOLDER:
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), path)
        if said.exit == words.NOT_REGULAR:
            raise OSError(errno.EINVAL, "not a regular file", path)
        if said.exit != 0:
            raise _failed(said, path)
        return said.out

    async def names(self, path: str) -> list[str]:
        words.refuse_path(path)
        said = await self._link.say(words.listing(path, READ_LIMIT), limit=OUTPUT_LIMIT, seconds=READ_LIMIT)
        names = said.out.decode("utf-8", "replace").splitlines()
        if said.flooded or len(names) > NAMES_LIMIT + 2:
            raise OSError(errno.EFBIG, f"more than {NAMES_LIMIT} names", path)
        if said.exit != 0:
            raise _failed(said, path)
        return sorted(name for name in names if name not in ("", ".", ".."))

    async def real_path(self, path: str) -> str:
        words.refuse_path(path)
        said = await self._link.say(
            words.following(path, READ_LIMIT), limit=words.PATH_LIMIT + 2, seconds=2 * READ_LIMIT
        )
        if said.flooded:
            raise OSError(errno.ENAMETOOLONG, os.strerror(errno.ENAMETOOLONG), path)
        if said.exit != 0:
            raise _failed(said, path)
        return said.out.decode("utf-8", "replace").removesuffix("\n")

    async def exists(self, path: str) -> bool:
        words.refuse_path(path)
        said = await self._link.say(words.looking(path, READ_LIMIT), limit=WORDS_LIMIT, seconds=READ_LIMIT)
        if said.exit == 0:
            return True
        if isinstance(error := _failed(said, path), BenchFault):
            raise error
        return False


class SshCommands:
    def __init__(self, link: SshLink) -> None:
        self._link = link

    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        """Run on the unit. BenchFault when it does not end in time or prints without end."""
        said = await self._link.say(words.running(argv, timeout), limit=OUTPUT_LIMIT, seconds=timeout)
        if said.flooded:
            raise BenchFault(f"{argv[0]} printed more than {OUTPUT_LIMIT} bytes")
        if said.exit == words.TIMED_OUT:
            raise BenchFault(f"{argv[0]} did not end within {timeout:g} s")
        if said.exit == words.NOT_FOUND:
            raise Absent(f"there is no command {argv[0]} on this unit")
        if said.exit == words.NOT_STARTED:
            raise NotPossible(f"{argv[0]} cannot be started on this unit: {plain(said.err)}")
        return CommandResult(argv=argv, exit=said.exit, stdout=said.out.decode("utf-8", "replace"))


class SshInput:
    """Event devices of the unit, read with cat: what they report goes to whatever else listens there too."""

    def __init__(self, link: SshLink) -> None:
        self._link = link

    async def axis(self, device: str, code: int) -> tuple[int, int] | None:
        """None: only an ioctl tells, and the unit has nothing of ours that could ask."""
        return None

    async def record(self, device: str, seconds: float) -> tuple[InputEvent, ...]:
        path = node_of(device)
        said = await self._link.say(words.recording(path, seconds), limit=RECORD_LIMIT, seconds=seconds)
        if said.flooded:
            raise BenchFault(f"{device} reported more than {RECORD_LIMIT} bytes")
        if said.exit not in words.TIME_IS_OVER:
            error = _failed(said, path)
            if isinstance(error, OSError) and error.errno in GONE:
                raise Absent(f"there is no event device {device} on this unit, or it went away")
            raise error
        return events_of(said.out, device)


class SshHost:
    services = frozenset({"files", "commands", "input", "load", "bulk", "reference"})

    def __init__(self, address: str, keys: Path | None, clocks: Clocks) -> None:
        self.address, self.clocks = address, clocks
        self._link = SshLink(SshAddress.parse(address), keys)
        self.files, self.commands = SshFiles(self._link), SshCommands(self._link)
        self.input = SshInput(self._link)
        self.load = ShellLoad(self.files, self.commands, clocks)

    @property
    def bulk(self) -> Bulk:
        return self._link

    @property
    def fingerprint(self) -> str:
        """Of the unit's key, once it was reached."""
        return self._link.fingerprint

    @property
    def reference(self) -> TimeReferences:
        from verifier.gather.hosts.bench_time import BenchTime

        return BenchTime(self.clocks)

    async def start(self) -> None:
        """HostError where the unit cannot be reached, or lacks one of the four tools that are needed."""
        await self._link.open()
        try:
            await self._look_for_tools()
        except BaseException:
            await self.aclose()
            raise

    async def _look_for_tools(self) -> None:
        try:
            said = await self._link.say(words.asking_for_tools(), limit=WORDS_LIMIT, seconds=READ_LIMIT)
        except BenchFault as error:
            raise HostError(error.what, where=self.address, to_do="Look at the cable, then resume.") from None
        lines = said.out.decode("utf-8", "replace").split("\n")
        lacking = [line.removeprefix("lacks ") for line in lines if line.startswith("lacks ")]
        if lacking or "ready" not in lines:
            what = f"the unit has no {', '.join(map(plain, lacking)) or 'POSIX shell'}"
            raise HostError(
                what, where=self.address, to_do=f"It needs a POSIX shell with {', '.join(words.NEEDED)}."
            )

    async def aclose(self) -> None:
        await self._link.drop()
