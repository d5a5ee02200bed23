"""The files of a simulated unit: fixed ones, and those that are worked out when they are read."""

from __future__ import annotations

import errno
import os
import posixpath
from collections.abc import Callable, Mapping

from verifier.services import Clocks

Content = str | bytes | OSError | Callable[[], str | bytes | OSError]
"""What a file holds, or the error that reading it gives; a function is asked at each read."""


READ_TIME = 0.001
"""Seconds that a file takes which is worked out when it is read: hardware does not answer at once."""


class SimulatedFiles:
    """Files by absolute path; their folders follow from them, and there are links to folders."""

    def __init__(
        self,
        contents: Mapping[str, Content],
        clocks: Clocks,
        gone: Mapping[str, Callable[[], bool]] | None = None,
        links: Mapping[str, str] | None = None,
    ) -> None:
        """`gone` tells of some folders whether they are not there just now; `links` lead from path to path."""
        self._contents, self._clocks, self._gone = dict(contents), clocks, dict(gone or {})
        self._links = dict(links or {})
        self._known: dict[str, str] = {}
        """What paths that were asked for and that are never gone mean."""
        self._folders: dict[str, set[str]] = {"/": set()}
        for path in (*self._contents, *self._links):
            while path != "/":
                folder, name = posixpath.split(path)
                self._folders.setdefault(folder, set()).add(name)
                path = folder  # noqa: PLW2901 - climbing up

    async def read(self, path: str, limit: int = 65_536) -> bytes:
        real = self._real(path)
        if real in self._folders:
            raise _error(errno.EISDIR, path)
        content = self._contents[real]
        if callable(content):
            # Without it, repeats would all fall on one moment and read one and the same value.
            await self._clocks.sleep(READ_TIME)
            content = content()
        if isinstance(content, OSError):
            raise _error(content.errno or errno.EIO, path)
        raw = content.encode() if isinstance(content, str) else content
        if len(raw) > limit:
            raise OSError(errno.EFBIG, f"longer than {limit} bytes", path)
        return raw

    async def names(self, path: str) -> list[str]:
        real = self._real(path)
        if real not in self._folders:
            raise _error(errno.ENOTDIR, path)
        return sorted(
            name for name in self._folders[real] if not self._is_gone(self._led(posixpath.join(real, name)))
        )

    async def real_path(self, path: str) -> str:
        return self._real(path)

    async def exists(self, path: str) -> bool:
        try:
            self._real(path)
        except OSError:
            return False
        return True

    def _real(self, path: str) -> str:
        if (known := self._known.get(path)) is not None:
            return known
        if not path.startswith("/") or "\0" in path:
            raise OSError(errno.EINVAL, "not an absolute path", path[:200])
        real = self._led(posixpath.normpath("/" + path.lstrip("/")))
        if (real not in self._contents and real not in self._folders) or self._is_gone(real):
            raise _error(errno.ENOENT, path)
        if not any(real == folder or real.startswith(f"{folder}/") for folder in self._gone):
            self._known[path] = real
        return real

    def _led(self, path: str) -> str:
        """The path with its link followed, where it has one."""
        for link, to in self._links.items():
            if path == link or path.startswith(f"{link}/"):
                return to + path[len(link) :]
        return path

    def _is_gone(self, path: str) -> bool:
        while self._gone and path != "/":
            if path in self._gone and self._gone[path]():
                return True
            path = posixpath.dirname(path)
        return False


def _error(number: int, path: str) -> OSError:
    return OSError(number, os.strerror(number), path[:200])
